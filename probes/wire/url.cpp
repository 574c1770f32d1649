#include "probes/wire/url.hpp"

#include "probes/wire/rtsp_text.hpp"

#include <arpa/inet.h>

#include <algorithm>
#include <charconv>
#include <cstring>

namespace tallywire::wire {
namespace {

std::uint16_t default_port(const std::string& scheme) {
  if (scheme == "rtsp") return 554;
  if (scheme == "rtsps") return 322;
  if (scheme == "http") return 80;
  return scheme == "https" ? 443 : 0;
}

// Nothing that would end a line or a word of a request (RFC 3986 §2: a URL is written in printable ASCII).
bool is_one_word(std::string_view text) {
  return std::all_of(text.begin(), text.end(), [](char c) { return c > ' ' && c != 0x7f; });
}

struct Parts {
  std::string scheme;     // "rtsp:"
  std::string authority;  // "192.0.2.10:554"
  std::string path;       // without its query; may be empty
};

Parts split(const std::string& url) {
  Parts out;
  const auto colon = url.find("://");
  if (colon == std::string::npos) {
    out.path = url.substr(0, url.find('?'));
    return out;
  }
  out.scheme = url.substr(0, colon + 1);
  const auto begin = colon + 3;
  const auto end = std::min(url.find_first_of("/?", begin), url.size());
  out.authority = url.substr(begin, end - begin);
  out.path = url.substr(end, std::min(url.find('?', end), url.size()) - end);
  return out;
}

// "rtsp:..." (RFC 3986 §3.1). A colon alone does not make a scheme: "track:1" is a name, as units use it.
bool has_scheme(const std::string& reference) {
  const auto at = reference.find("://");
  return at != std::string::npos && at > 0 && reference.find_first_of("/?") > at;
}

// RFC 3986 §5.2.4. The path begins with a slash.
std::string without_dots(const std::string& path) {
  std::string out;
  for (std::size_t begin = 0; begin < path.size();) {
    const auto end = std::min(path.find('/', begin + 1), path.size());
    const auto segment = path.substr(begin, end - begin);
    const bool last = end == path.size();
    if (segment == "/..") out.erase(std::min(out.rfind('/'), out.size()));
    if (segment != "/." && segment != "/..") out += segment;
    else if (last) out += '/';
    begin = end;
  }
  return out;
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
  if (!is_one_word(out.path) || !is_one_word(authority)) return std::nullopt;
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
  if (out.host.empty() || out.host.find_first_of("[]") != std::string::npos) return std::nullopt;
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

bool is_address(const std::string& host) {
  in6_addr octets{};
  return inet_pton(AF_INET, host.c_str(), &octets) == 1 || inet_pton(AF_INET6, host.c_str(), &octets) == 1;
}

bool same_host(const std::string& a, const std::string& b) {
  in6_addr first{}, second{};
  for (const int family : {AF_INET, AF_INET6})
    if (inet_pton(family, a.c_str(), &first) == 1 && inet_pton(family, b.c_str(), &second) == 1)
      return std::memcmp(&first, &second, sizeof first) == 0;
  return same(a, b);
}

bool is_multicast(const std::string& host) {
  in6_addr octets{};
  if (inet_pton(AF_INET, host.c_str(), &octets) == 1) return octets.s6_addr[0] >> 4 == 0xe;
  return inet_pton(AF_INET6, host.c_str(), &octets) == 1 && octets.s6_addr[0] == 0xff;
}

std::string resolve_reference(const std::string& base, const std::string& reference) {
  if (has_scheme(reference)) return reference;
  const auto parts = split(base);
  if (reference.substr(0, 2) == "//") return parts.scheme + reference;
  const auto front = parts.scheme + "//" + parts.authority;
  if (reference.empty()) return base;
  if (reference.front() == '?') return front + parts.path + reference;
  const auto question = reference.find('?');
  auto path = reference.substr(0, question);
  const auto query = question == std::string::npos ? std::string() : reference.substr(question);
  if (path.front() != '/') path = parts.path.substr(0, parts.path.rfind('/') + 1) + path;
  if (path.front() != '/') path.insert(0, "/");
  return front + without_dots(path) + query;
}

std::string join_control(const std::string& base, const std::string& control) {
  if (control.empty() || control == "*") return base;
  if (has_scheme(control)) return control;
  const auto parts = split(base);
  if (control.front() == '?') return parts.scheme + "//" + parts.authority + parts.path + control;
  auto own_path = parts.path;
  while (!own_path.empty() && own_path.back() == '/') own_path.pop_back();
  if (!own_path.empty() && control.size() > own_path.size() + 1 && control.compare(0, own_path.size(), own_path) == 0 &&
      control[own_path.size()] == '/')
    return parts.scheme + "//" + parts.authority + control;
  const bool slash_there = !base.empty() && base.back() == '/';
  const bool slash_comes = control.front() == '/';
  if (slash_there) return base + (slash_comes ? control.substr(1) : control);
  return base + (slash_comes ? "" : "/") + control;
}

}  // namespace tallywire::wire
