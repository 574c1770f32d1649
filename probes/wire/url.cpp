#include "probes/wire/url.hpp"

#include <charconv>

namespace tallywire::wire {
namespace {

std::uint16_t default_port(const std::string& scheme) {
  if (scheme == "rtsp") return 554;
  if (scheme == "rtsps") return 322;
  if (scheme == "http") return 80;
  return scheme == "https" ? 443 : 0;
}

}  // namespace

std::string Url::text() const {
  const bool v6 = host.find(':') != std::string::npos;
  return scheme + "://" + (v6 ? "[" + host + "]" : host) + ":" + std::to_string(port) + path;
}

std::optional<Url> decode_url(std::string_view text) {
  Url out;
  const auto colon = text.find("://");
  if (colon == std::string_view::npos) return std::nullopt;
  for (const char c : text.substr(0, colon)) out.scheme += static_cast<char>(c >= 'A' && c <= 'Z' ? c + 32 : c);
  out.port = default_port(out.scheme);
  if (out.port == 0) return std::nullopt;
  text.remove_prefix(colon + 3);
  const auto slash = text.find_first_of("/?");
  auto authority = text.substr(0, slash);
  out.path = slash == std::string_view::npos ? "/" : std::string(text.substr(slash));
  if (out.path.front() == '?') out.path.insert(0, "/");
  for (const char c : out.path)
    if (c <= ' ' || c == 0x7f) return std::nullopt;
  if (const auto at = authority.rfind('@'); at != std::string_view::npos) {
    out.has_user = true;
    authority.remove_prefix(at + 1);
  }
  std::string_view port;
  if (!authority.empty() && authority.front() == '[') {
    const auto end = authority.find(']');
    if (end == std::string_view::npos) return std::nullopt;
    out.host = authority.substr(1, end - 1);
    port = authority.substr(end + 1);
  } else {
    const auto end = authority.find(':');
    out.host = authority.substr(0, end);
    if (end != std::string_view::npos) port = authority.substr(end);
  }
  if (out.host.empty()) return std::nullopt;
  if (!port.empty()) {
    unsigned number = 0;
    const auto [end, code] = std::from_chars(port.data() + 1, port.data() + port.size(), number);
    if (port.front() != ':' || code != std::errc() || end != port.data() + port.size() || number == 0 ||
        number > 65535)
      return std::nullopt;
    out.port = static_cast<std::uint16_t>(number);
  }
  return out;
}

std::string join_control(const std::string& base, const std::string& control) {
  if (control.empty() || control == "*") return base;
  if (control.find("://") != std::string::npos) return control;
  // Appended as text, as units and servers do it, not resolved as a relative reference: a query in the
  // base belongs to the aggregate and stays where it is.
  if (!base.empty() && base.back() == '/') return base + (control.front() == '/' ? control.substr(1) : control);
  return base + (control.front() == '/' ? "" : "/") + control;
}

}  // namespace tallywire::wire
