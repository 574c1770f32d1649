#include "probes/wire/rtsp_message.hpp"

#include <algorithm>
#include <cctype>
#include <charconv>
#include <map>

namespace tallywire::wire {
namespace {

std::string_view trim(std::string_view text) {
  const auto blank = [](char c) { return c == ' ' || c == '\t' || c == '\r' || c == '\n'; };
  while (!text.empty() && blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && blank(text.back())) text.remove_suffix(1);
  return text;
}

std::string lower(std::string_view text) {
  std::string out(text);
  std::transform(out.begin(), out.end(), out.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return out;
}

template <class Number>
bool read_number(std::string_view text, Number& out, int base = 10) {
  const auto [end, code] = std::from_chars(text.data(), text.data() + text.size(), out, base);
  return code == std::errc() && end == text.data() + text.size();
}

// Takes the part before `separator` off the front.
std::string_view cut(std::string_view& rest, char separator) {
  const auto at = rest.find(separator);
  const auto part = rest.substr(0, at);
  rest = at == std::string_view::npos ? std::string_view() : rest.substr(at + 1);
  return part;
}

// Where the empty line ends the head: CRLF, or bare LF as some units write it. npos: not there yet.
std::size_t head_length(std::string_view text) {
  for (std::size_t at = text.find('\n'); at != std::string_view::npos; at = text.find('\n', at + 1)) {
    if (at + 1 < text.size() && text[at + 1] == '\n') return at + 2;
    if (at + 2 < text.size() && text[at + 1] == '\r' && text[at + 2] == '\n') return at + 3;
  }
  return std::string_view::npos;
}

ParsedRtsp malformed(std::string fault) {
  ParsedRtsp out;
  out.what = ParsedRtsp::What::malformed;
  out.fault = std::move(fault);
  return out;
}

bool read_first_line(std::string_view line, RtspMessage& out) {
  if (line.substr(0, 5) == "RTSP/") {
    cut(line, ' ');
    if (!read_number(cut(line, ' '), out.status) || out.status < 100 || out.status > 999) return false;
    out.reason = trim(line);
    return true;
  }
  out.method = cut(line, ' ');
  out.target = trim(cut(line, ' '));
  return !out.method.empty() && line.substr(0, 5) == "RTSP/" &&
         std::all_of(out.method.begin(), out.method.end(),
                     [](unsigned char c) { return std::isupper(c) || c == '_'; });
}

bool read_range(std::string_view value, int highest, int& first, int& second) {
  std::string_view rest = value;
  if (!read_number(cut(rest, '-'), first) || first < 0 || first > highest) return false;
  second = first + 1;
  if (!rest.empty() && (!read_number(rest, second) || second < 0)) return false;
  return second <= highest;
}

bool read_transport_field(std::string_view field, TransportGrant& out) {
  std::string_view value = field;
  const auto name = lower(trim(cut(value, '=')));
  value = trim(value);
  constexpr int highest_port = 65535, highest_channel = 255;
  if (name == "multicast") out.multicast = true;
  if (name == "interleaved") return read_range(value, highest_channel, out.rtp_channel, out.rtcp_channel);
  if (name == "client_port") return read_range(value, highest_port, out.client_rtp, out.client_rtcp);
  if (name == "server_port") return read_range(value, highest_port, out.server_rtp, out.server_rtcp);
  if (name == "port") return read_range(value, highest_port, out.port_rtp, out.port_rtcp);
  if (name == "ttl") return read_number(value, out.ttl) && out.ttl >= 0 && out.ttl <= 255;
  if (name == "source") out.source = value;
  if (name == "destination") out.destination = value;
  std::uint32_t ssrc = 0;  // a unit that writes it otherwise than in hexadecimal is not refused for it
  if (name == "ssrc" && read_number(value, ssrc, 16)) out.ssrc = ssrc;
  return true;
}

}  // namespace

std::string RtspMessage::header(std::string_view lower_name) const {
  for (const auto& [name, value] : headers)
    if (name == lower_name) return value;
  return {};
}

ParsedRtsp parse_rtsp(Octets received, const RtspLimits& limits) {
  ParsedRtsp out;
  if (received.empty()) return out;
  if (received[0] == '$') {
    if (received.size() < 4) return out;
    const std::size_t length = std::size_t{received[2]} << 8 | received[3];
    if (received.size() < 4 + length) return out;
    out.what = ParsedRtsp::What::frame;
    out.channel = received[1];
    out.packet = received.subspan(4, length);
    out.consumed = 4 + length;
    return out;
  }
  // Stray empty lines before a message are allowed (§4.1).
  if (received[0] == '\r' || received[0] == '\n') {
    auto rest = parse_rtsp(received.subspan(1), limits);
    if (rest.what != ParsedRtsp::What::need_more) rest.consumed += 1;
    return rest;
  }
  const std::string_view text(reinterpret_cast<const char*>(received.data()), received.size());
  const auto head = head_length(text.substr(0, limits.head_octets + 1));
  if (head == std::string_view::npos) {
    if (text.size() > limits.head_octets) return malformed("a header that does not end");
    // Refused as soon as it can be no RTSP, not only after the limit.
    const auto line = text.substr(0, text.find('\n'));
    if (line.size() != text.size() && !read_first_line(trim(line), out.message))
      return malformed("an answer that is no RTSP");
    out.message = {};
    return out;
  }
  std::string_view lines = text.substr(0, head);
  if (!read_first_line(trim(cut(lines, '\n')), out.message)) return malformed("an answer that is no RTSP");
  while (!lines.empty()) {
    std::string_view value = trim(cut(lines, '\n'));
    if (value.empty()) continue;
    if (out.message.headers.size() >= limits.headers) return malformed("more headers than anyone needs");
    const auto name = lower(trim(cut(value, ':')));
    out.message.headers.emplace_back(name, trim(value));
  }
  std::size_t length = 0;
  const auto told = out.message.header("content-length");
  if (!told.empty() && !read_number(std::string_view(told), length))
    return malformed("a Content-Length that is no number");
  if (length > limits.body_octets) return malformed("a body of " + std::to_string(length) + " octets");
  if (text.size() - head < length) {
    out.message = {};
    return out;
  }
  out.message.body = text.substr(head, length);
  out.consumed = head + length;
  out.what = ParsedRtsp::What::message;
  return out;
}

std::optional<std::vector<TransportGrant>> decode_transport(std::string_view header) {
  std::vector<TransportGrant> out;
  while (!header.empty()) {
    std::string_view offer = cut(header, ',');
    TransportGrant grant;
    const auto specification = lower(trim(cut(offer, ';')));
    grant.tcp = specification == "rtp/avp/tcp";
    while (!offer.empty())
      if (!read_transport_field(cut(offer, ';'), grant)) return std::nullopt;
    out.push_back(std::move(grant));
  }
  return out;
}

std::optional<SessionHeader> decode_session(std::string_view header) {
  SessionHeader out;
  out.id = trim(cut(header, ';'));
  if (out.id.empty()) return std::nullopt;
  while (!header.empty()) {
    std::string_view value = cut(header, ';');
    if (lower(trim(cut(value, '='))) != "timeout") continue;
    int seconds = 0;
    if (read_number(trim(value), seconds) && seconds > 0) out.timeout_s = seconds;
  }
  return out;
}

// RFC 2326 §7.1.1 Table 1, RFC 7826 §8.1.1.
std::string rtsp_status_text(int status) {
  static const std::map<int, const char*> texts = {
      {400, "the unit did not understand the request"},
      {401, "a login is asked for"},
      {403, "forbidden"},
      {404, "the unit has no such stream"},
      {405, "method not allowed"},
      {415, "unsupported media type"},
      {451, "a parameter was not understood"},
      {453, "not enough bandwidth: the unit serves no more streams"},
      {454, "session not found"},
      {455, "method not valid in this state"},
      {456, "a header was not valid"},
      {457, "invalid range"},
      {459, "aggregate operation not allowed"},
      {460, "only aggregate operation allowed"},
      {461, "unsupported transport"},
      {462, "destination unreachable"},
      {463, "destination prohibited"},
      {464, "data transport not ready"},
      {470, "connection authorization required"},
      {471, "connection credentials not accepted"},
      {472, "failure to establish a secure connection"},
      {500, "an error inside the unit"},
      {501, "not offered by the unit"},
      {503, "the unit is busy"},
      {505, "RTSP version not supported"},
      {551, "option not supported"},
  };
  const auto at = texts.find(status);
  return at == texts.end() ? std::string() : at->second;
}

}  // namespace tallywire::wire
