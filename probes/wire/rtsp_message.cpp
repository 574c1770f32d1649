#include "probes/wire/rtsp_message.hpp"

#include "probes/wire/rtsp_text.hpp"

#include <algorithm>
#include <cctype>
#include <map>

namespace tallywire::wire {
namespace {

// Longer than any method of RFC 2326 or RFC 7826.
constexpr std::size_t longest_method = 32;

// Where the empty line ends the head: CRLF, or bare LF as some units write it. npos: not there yet.
std::size_t head_length(std::string_view text) {
  for (std::size_t at = text.find('\n'); at != std::string_view::npos; at = text.find('\n', at + 1)) {
    if (at + 1 < text.size() && text[at + 1] == '\n') return at + 2;
    if (at + 2 < text.size() && text[at + 1] == '\r' && text[at + 2] == '\n') return at + 3;
  }
  return std::string_view::npos;
}

ParsedRtsp malformed(std::string fault, std::size_t at) {
  ParsedRtsp out;
  out.what = ParsedRtsp::What::malformed;
  out.fault = std::move(fault);
  out.fault_at = at;
  return out;
}

// "RTSP/1.0", "RTSP/2.0"
bool read_version(std::string_view word, int& major) {
  if (!same(word.substr(0, 5), "RTSP/")) return false;
  word.remove_prefix(5);
  int minor = 0;
  return read_number(cut(word, '.'), major) && read_number(word, minor) && (major == 1 || major == 2);
}

bool is_method(std::string_view word) {
  return !word.empty() && word.size() <= longest_method &&
         std::all_of(word.begin(), word.end(), [](unsigned char c) { return std::isupper(c) || c == '_'; });
}

bool read_first_line(std::string_view line, RtspMessage& out) {
  if (same(line.substr(0, 5), "RTSP/")) {
    if (!read_version(cut(line, ' '), out.version)) return false;
    line = trim(line);
    if (!read_number(cut(line, ' '), out.status) || out.status < 100 || out.status > 999) return false;
    out.reason = trim(line);
    return true;
  }
  out.method = cut(line, ' ');
  out.target = trim(cut(line, ' '));
  return is_method(out.method) && read_version(trim(line), out.version);
}

// How far the beginning of a first line could still become one; its length when all of it could. What no
// RTSP begins with is refused at once, not only when a line ends or a ceiling is reached.
std::size_t plausible_length(std::string_view line) {
  const std::string_view version = "RTSP/";
  const auto word = line.substr(0, line.find(' '));
  for (std::size_t at = 0; at < word.size(); ++at) {
    const bool like_version = at >= version.size() ? same(word.substr(0, version.size()), version)
                                                   : same(word.substr(0, at + 1), version.substr(0, at + 1));
    if (!like_version && !is_method(word.substr(0, at + 1))) return at;
  }
  return line.size();
}

// Control characters would end up in requests of ours and in what people read.
std::string clean(std::string_view value) {
  std::string out(value);
  for (auto& c : out)
    if (static_cast<unsigned char>(c) < ' ' || c == 0x7f) c = ' ';
  return std::string(trim(out));
}

ParsedRtsp read_frame(Octets received) {
  ParsedRtsp out;
  if (received.size() < 4) return out;
  const std::size_t length = std::size_t{received[2]} << 8 | received[3];
  if (received.size() < 4 + length) return out;
  out.what = ParsedRtsp::What::frame;
  out.channel = received[1];
  out.packet = received.subspan(4, length);
  out.consumed = 4 + length;
  return out;
}

// The lines after the first. Empty: fine.
std::string read_headers(std::string_view lines, const RtspLimits& limits, RtspMessage& out) {
  while (!lines.empty()) {
    const std::string_view line = cut(lines, '\n');
    std::string_view value = trim(line);
    if (value.empty()) continue;
    const bool folded = line.front() == ' ' || line.front() == '\t';
    if (folded && !out.headers.empty()) {
      auto& before = out.headers.back().second;
      const auto more = clean(value);
      if (!more.empty()) before += (before.empty() ? "" : " ") + more;
      continue;
    }
    if (value.find(':') == std::string_view::npos) continue;  // no header; what it was meant to be nobody knows
    if (out.headers.size() >= limits.headers) return "more headers than anyone needs";
    const auto name = lower(trim(cut(value, ':')));
    out.headers.emplace_back(name, clean(value));
  }
  return {};
}

// Several that agree are one (RFC 9110 §8.6); several that differ are a lie about where the next message begins.
std::string read_length(const RtspMessage& message, std::size_t& length) {
  bool told = false;
  for (const auto& [name, value] : message.headers) {
    if (name != "content-length") continue;
    std::size_t number = 0;
    if (!read_number(std::string_view(value), number)) return "a Content-Length that is no number";
    if (told && number != length) return "two Content-Length that differ";
    length = number;
    told = true;
  }
  return {};
}

}  // namespace

std::string RtspMessage::header(std::string_view lower_name) const {
  for (const auto& [name, value] : headers)
    if (name == lower_name) return value;
  return {};
}

std::string RtspMessage::list(std::string_view lower_name) const {
  std::string out;
  for (const auto& [name, value] : headers)
    if (name == lower_name) out += (out.empty() ? "" : ", ") + value;
  return out;
}

ParsedRtsp parse_rtsp(Octets received, const RtspLimits& limits) {
  if (!received.empty() && received[0] == '$') return read_frame(received);
  ParsedRtsp out;
  // Stray empty lines before a message are allowed (RFC 2326 §4.1), and before a frame they do no harm.
  std::size_t begin = 0;
  while (begin < received.size() && (received[begin] == '\r' || received[begin] == '\n')) ++begin;
  if (begin > limits.head_octets) return malformed("nothing but empty lines", limits.head_octets);
  if (begin == received.size()) return out;
  if (received[begin] == '$') {
    out = read_frame(received.subspan(begin));
    if (out.what == ParsedRtsp::What::frame) out.consumed += begin;
    return out;
  }
  const std::string_view text(reinterpret_cast<const char*>(received.data()) + begin, received.size() - begin);
  const auto line = text.substr(0, std::min(text.find('\n'), limits.head_octets));
  const bool whole = line.size() < text.size();
  if (const auto length = plausible_length(line); length < line.size())
    return malformed("an answer that is no RTSP", begin + length);
  if (whole && !read_first_line(trim(line), out.message)) return malformed("an answer that is no RTSP", begin);
  const auto head = head_length(text.substr(0, limits.head_octets + 1));
  if (head == std::string_view::npos) {
    if (text.size() > limits.head_octets) return malformed("a header that does not end", begin + limits.head_octets);
    return {};
  }
  std::string_view lines = text.substr(0, head);
  cut(lines, '\n');
  std::size_t length = 0;
  auto fault = read_headers(lines, limits, out.message);
  if (fault.empty()) fault = read_length(out.message, length);
  if (fault.empty() && length > limits.body_octets) fault = "a body of " + std::to_string(length) + " octets";
  if (!fault.empty()) return malformed(std::move(fault), begin);
  if (text.size() - head < length) return {};
  out.message.body = text.substr(head, length);
  out.consumed = begin + head + length;
  out.what = ParsedRtsp::What::message;
  return out;
}

// RFC 2326 §7.1.1 Table 1, RFC 7826 §8.1.1.
std::string rtsp_status_text(int status) {
  static const std::map<int, const char*> texts = {
      {300, "several choices, none of them named"},
      {400, "the unit did not understand the request"},
      {401, "a login is asked for"},
      {402, "payment is asked for"},
      {403, "forbidden"},
      {404, "the unit has no such stream"},
      {405, "method not allowed"},
      {406, "the unit cannot describe the stream in a way we read"},
      {407, "a proxy asks for a login"},
      {408, "the unit waited too long for the request"},
      {410, "the stream is gone for good"},
      {412, "a condition was not fulfilled"},
      {413, "the request was too large for the unit"},
      {414, "the address was too long for the unit"},
      {415, "unsupported media type"},
      {451, "a parameter was not understood"},
      {452, "conference not found"},
      {453, "not enough bandwidth: the unit serves no more streams"},
      {454, "session not found"},
      {455, "method not valid in this state"},
      {456, "a header was not valid"},
      {457, "invalid range"},
      {458, "the parameter can only be read"},
      {459, "aggregate operation not allowed"},
      {460, "only aggregate operation allowed"},
      {461, "unsupported transport"},
      {462, "destination unreachable"},
      {463, "destination prohibited"},
      {464, "data transport not ready"},
      {465, "the reason of a notification was not known"},
      {466, "the keys could not be agreed"},
      {470, "connection authorization required"},
      {471, "connection credentials not accepted"},
      {472, "failure to establish a secure connection"},
      {500, "an error inside the unit"},
      {501, "not offered by the unit"},
      {502, "a gateway got no proper answer"},
      {503, "the unit is busy"},
      {504, "a gateway waited too long"},
      {505, "RTSP version not supported"},
      {551, "option not supported"},
      {553, "the proxy is not available"},
  };
  const auto at = texts.find(status);
  return at == texts.end() ? std::string() : at->second;
}

std::string status_sentence(const RtspMessage& answer) {
  auto meaning = rtsp_status_text(answer.status);
  if (meaning.empty()) meaning = answer.reason.empty() ? "no reason given" : excerpt(answer.reason);
  return std::to_string(answer.status) + ": " + meaning;
}

}  // namespace tallywire::wire
