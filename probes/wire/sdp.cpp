#include "probes/wire/sdp.hpp"

#include "probes/wire/base64.hpp"
#include "probes/wire/rtsp_text.hpp"

#include <algorithm>
#include <charconv>

namespace tallywire::wire {
namespace {

struct StaticType {
  int payload_type;
  const char* encoding;
  std::uint32_t clock_hz;
  int channels = 1;
};

// RFC 3551 §6, Tables 4 and 5. The clock of G722 is 8000 although it samples at 16 000 (§4.5.2).
constexpr StaticType static_types[] = {
    {0, "PCMU", 8000},   {3, "GSM", 8000},    {4, "G723", 8000},     {5, "DVI4", 8000},   {6, "DVI4", 16000},
    {7, "LPC", 8000},    {8, "PCMA", 8000},   {9, "G722", 8000},     {10, "L16", 44100, 2}, {11, "L16", 44100},
    {12, "QCELP", 8000}, {13, "CN", 8000},    {14, "MPA", 90000},    {15, "G728", 8000},  {16, "DVI4", 11025},
    {17, "DVI4", 22050}, {18, "G729", 8000},  {25, "CelB", 90000},   {26, "JPEG", 90000}, {28, "nv", 90000},
    {31, "H261", 90000}, {32, "MPV", 90000},  {33, "MP2T", 90000},   {34, "H263", 90000}};

// Takes the next word off the front; units put several blanks or a tab between two.
std::string_view word(std::string_view& rest) {
  rest = trim(rest);
  const auto end = std::min(rest.find_first_of(" \t"), rest.size());
  const auto out = rest.substr(0, end);
  rest.remove_prefix(end);
  return out;
}

// 7 bits (RFC 3550 §5.1); each is taken once, so a medium has at most 128.
bool read_payload_type(std::string_view text, int& out) { return read_number(text, out) && out >= 0 && out <= 127; }

SdpFormat* format_of(SdpMedia& media, int payload_type) {
  for (auto& format : media.formats)
    if (format.payload_type == payload_type) return &format;
  return nullptr;
}

// "96 H264/90000". One that the m= line forgot is taken too: the unit will send it (common practice).
void read_rtpmap(SdpMedia& media, std::string_view value) {
  int payload_type = 0;
  if (!read_payload_type(word(value), payload_type)) return;
  auto* format = format_of(media, payload_type);
  if (!format) {
    media.formats.emplace_back();
    format = &media.formats.back();
    format->payload_type = payload_type;
  }
  std::string_view mapping = trim(value);
  format->encoding = trim(cut(mapping, '/'));
  read_number(trim(cut(mapping, '/')), format->clock_hz);
  int channels = 1;
  if (read_number(trim(mapping), channels) && channels > 0 && channels <= 255) format->channels = channels;
}

void read_fmtp(SdpMedia& media, std::string_view value) {
  int payload_type = 0;
  if (!read_payload_type(word(value), payload_type)) return;
  if (auto* format = format_of(media, payload_type)) format->parameters = trim(value);
}

// "25", "29.97", "25.000000"; what no camera does is not believed.
void read_framerate(SdpMedia& media, std::string_view value) {
  double rate = 0;
  const auto [end, code] = std::from_chars(value.data(), value.data() + value.size(), rate);
  constexpr double highest_hz = 1000;
  if (code == std::errc() && end == value.data() + value.size() && rate > 0 && rate <= highest_hz)
    media.framerate_hz = rate;
}

// "1920-1080", "1920,1080", "1920x1080"
void read_dimensions(SdpMedia& media, std::string_view value, const char* separators) {
  const auto at = value.find_first_of(separators);
  if (at == std::string_view::npos) return;
  int width = 0, height = 0;
  constexpr int largest = 65535;
  if (!read_number(trim(value.substr(0, at)), width) || !read_number(trim(value.substr(at + 1)), height)) return;
  if (width <= 0 || height <= 0 || width > largest || height > largest) return;
  media.width = width;
  media.height = height;
}

void read_attribute(SdpSession& session, SdpMedia* media, std::string_view value) {
  const auto name = lower(trim(cut(value, ':')));
  value = trim(value);
  if (name == "control") (media ? media->control : session.control) = value;
  // A direction of the whole session is passed over: where the unit means what it does itself, everything
  // would be talk-back.
  if (!media) return;
  if (name == "rtpmap") read_rtpmap(*media, value);
  if (name == "fmtp") read_fmtp(*media, value);
  if (name == "framerate" || name == "x-framerate") read_framerate(*media, value);
  if (name == "x-dimensions") read_dimensions(*media, value, ",x");
  if (name == "framesize") {
    word(value);  // the payload type
    read_dimensions(*media, trim(value), "-");
  }
  // Units write the direction as the client sees it (ONVIF Streaming): what we would send is talk-back.
  if (name == "sendonly") media->send_back = true;
  if (name == "inactive") media->inactive = true;
}

// "video 0 RTP/AVP 96 97"
std::optional<SdpMedia> read_media(std::string_view value) {
  SdpMedia out;
  out.kind = lower(word(value));
  std::string_view ports = word(value);
  if (!read_number(cut(ports, '/'), out.port) || out.port < 0 || out.port > 65535) return std::nullopt;
  out.protocol = word(value);
  while (!trim(value).empty()) {
    int payload_type = 0;
    if (!read_payload_type(word(value), payload_type) || format_of(out, payload_type)) continue;
    auto format = static_format(payload_type).value_or(SdpFormat{});
    format.payload_type = payload_type;
    out.formats.push_back(std::move(format));
  }
  return out;
}

// "IN IP4 239.1.2.3/127": the number after the slash is the TTL of IPv4, and a count of groups for IPv6 (§5.7).
void read_connection(std::string_view value, std::string& address, int& ttl) {
  word(value);
  const bool v4 = same(word(value), "IP4");
  std::string_view rest = word(value);
  address = trim(cut(rest, '/'));
  int number = 0;
  ttl = v4 && read_number(cut(rest, '/'), number) && number >= 0 && number <= 255 ? number : 0;
}

// "AS:4096"
void read_bandwidth(std::string_view value, std::uint32_t& kbps) {
  std::uint32_t number = 0;
  if (same(trim(cut(value, ':')), "AS") && read_number(trim(value), number)) kbps = number;
}

}  // namespace

std::optional<SdpFormat> static_format(int payload_type) {
  for (const auto& known : static_types) {
    if (known.payload_type != payload_type) continue;
    SdpFormat out;
    out.payload_type = payload_type;
    out.encoding = known.encoding;
    out.clock_hz = known.clock_hz;
    out.channels = known.channels;
    return out;
  }
  return std::nullopt;
}

std::optional<SdpSession> decode_sdp(std::string_view text, const SdpLimits& limits) {
  if (text.size() > limits.octets) return std::nullopt;
  SdpSession out;
  while (!text.empty()) {
    const auto line = trim(cut(text, '\n'));
    if (line.size() < 2 || line[1] != '=') continue;
    const auto value = trim(line.substr(2));
    SdpMedia* media = out.media.empty() ? nullptr : &out.media.back();
    if (line[0] == 'm') {
      if (out.media.size() >= limits.media) return std::nullopt;
      auto next = read_media(value);
      if (!next) return std::nullopt;
      next->connection = out.connection;
      next->ttl = out.ttl;
      out.media.push_back(std::move(*next));
    } else if (line[0] == 'c') {
      read_connection(value, media ? media->connection : out.connection, media ? media->ttl : out.ttl);
    } else if (line[0] == 'b') {
      read_bandwidth(value, media ? media->bandwidth_kbps : out.bandwidth_kbps);
    } else if (line[0] == 'a') {
      read_attribute(out, media, value);
    }
  }
  if (out.media.empty()) return std::nullopt;
  return out;
}

std::string fmtp_parameter(const std::string& parameters, std::string_view name) {
  std::string_view rest = parameters;
  while (!rest.empty()) {
    std::string_view value = cut(rest, ';');
    if (same(trim(cut(value, '=')), name)) return std::string(trim(value));
  }
  return {};
}

std::vector<std::vector<std::uint8_t>> parameter_sets_of(const SdpFormat& format) {
  std::vector<std::vector<std::uint8_t>> out;
  for (const char* name : {"sprop-parameter-sets", "sprop-vps", "sprop-sps", "sprop-pps"}) {
    const auto list = fmtp_parameter(format.parameters, name);
    std::string_view rest = list;
    while (!rest.empty() && out.size() < 32) {
      auto nal = decode_base64(trim(cut(rest, ',')));
      if (nal && !nal->empty()) out.push_back(std::move(*nal));
    }
  }
  return out;
}

}  // namespace tallywire::wire
