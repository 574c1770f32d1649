// RTSP and HTTP URLs with a numeric host (RFC 3986 as far as they need it).
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace tallywire::wire {

struct Url {
  std::string scheme;  // "rtsp", "rtsps", "http", "https"
  std::string host;    // without brackets
  std::uint16_t port = 0;
  std::string path;    // with its query; "/" at least
  bool has_user = false;

  // Without user and password: what goes on the wire and into a log.
  std::string text() const;
};

// Ports by scheme: rtsp 554 (RFC 2326 §3.2), rtsps 322 (RFC 7826 §4.2), http 80, https 443.
std::optional<Url> decode_url(std::string_view text);

// Whether a host is written in numbers (IPv4 or IPv6), and whether two hosts are the same however they are written.
bool is_address(const std::string& host);
bool same_host(const std::string& a, const std::string& b);
bool is_multicast(const std::string& host);  // 224.0.0.0/4 (RFC 5771), ff00::/8 (RFC 4291 §2.7)

// A reference against its base (RFC 3986 §5.2, without fragments): "../x", "/x", "?x", "//host/x", "rtsp://…".
std::string resolve_reference(const std::string& base, const std::string& reference);

// An SDP control attribute against its base (RFC 2326 C.1.1), as servers mean it (common practice), which is not
// as RFC 3986 would resolve it:
//   "*" and nothing       the base itself
//   with a scheme         stands for itself
//   "/whole/path/x"       that path of the base's host, when it begins with the base's own path
//   "?query"              replaces the query of the base
//   anything else         appended to the base after exactly one slash, so that the last segment of a base without
//                         a trailing slash stays; and after a query too ("rtsp://h/p?x=1" + "trackID=0" is
//                         "rtsp://h/p?x=1/trackID=0"), since units cut the track off the end
std::string join_control(const std::string& base, const std::string& control);

}  // namespace tallywire::wire
