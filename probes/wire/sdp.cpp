#include "probes/wire/sdp.hpp"

#include "probes/wire/base64.hpp"
#include "probes/wire/rtsp_text.hpp"

#include <algorithm>

namespace tallywire::wire {
namespace {

struct StaticType {
  int payload_type;
  const char* encoding;
  std::uint32_t clock_hz;
};

// RFC 3551 §6, Tables 4 and 5. The clock of G722 is 8000 although it samples at 16 000 (§4.5.2).
constexpr StaticType static_types[] = {{0, "PCMU", 8000}, {8, "PCMA", 8000},   {9, "G722", 8000},
                                       {14, "MPA", 90000}, {26, "JPEG", 90000}, {31, "H261", 90000},
                                       {32, "MPV", 90000}, {33, "MP2T", 90000}};

SdpFormat* format_of(SdpMedia& media, std::string_view& value) {
  int payload_type = 0;
  if (!read_number(trim(cut(value, ' ')), payload_type)) return nullptr;
  for (auto& format : media.formats)
    if (format.payload_type == payload_type) return &format;
  return nullptr;
}

void read_rtpmap(SdpMedia& media, std::string_view value) {
  auto* format = format_of(media, value);
  if (!format) return;
  std::string_view mapping = trim(value);
  format->encoding = trim(cut(mapping, '/'));
  std::string_view clock = cut(mapping, '/');
  read_number(trim(clock), format->clock_hz);
  read_number(trim(mapping), format->channels);
}

void read_attribute(SdpSession& session, SdpMedia* media, std::string_view value) {
  const auto name = trim(cut(value, ':'));
  value = trim(value);
  if (name == "control") (media ? media->control : session.control) = value;
  if (!media) return;
  if (name == "rtpmap") read_rtpmap(*media, value);
  if (name == "fmtp")
    if (auto* format = format_of(*media, value)) format->parameters = trim(value);
  // Units write the direction as the client sees it: what we would send is talk-back.
  if (name == "sendonly") media->send_back = true;
}

// "video 0 RTP/AVP 96 97"
std::optional<SdpMedia> read_media(std::string_view value) {
  SdpMedia out;
  out.kind = trim(cut(value, ' '));
  std::string_view ports = cut(value, ' ');
  if (!read_number(cut(ports, '/'), out.port) || out.port < 0 || out.port > 65535) return std::nullopt;
  out.protocol = trim(cut(value, ' '));
  while (!value.empty() && out.formats.size() < 128) {
    SdpFormat format;
    if (!read_number(trim(cut(value, ' ')), format.payload_type)) continue;
    if (format.payload_type < 0 || format.payload_type > 127) continue;
    for (const auto& known : static_types)
      if (known.payload_type == format.payload_type) {
        format.encoding = known.encoding;
        format.clock_hz = known.clock_hz;
      }
    out.formats.push_back(std::move(format));
  }
  return out;
}

// "IN IP4 239.1.2.3/127"
std::string read_connection(std::string_view value) {
  cut(value, ' ');
  cut(value, ' ');
  return std::string(trim(cut(value, '/')));
}

}  // namespace

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
      out.media.push_back(std::move(*next));
    } else if (line[0] == 'c') {
      (media ? media->connection : out.connection) = read_connection(value);
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
