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

// An SDP control attribute against its base (RFC 2326 C.1.1): "*" is the base itself, an absolute URL
// stands for itself, anything else is appended to the base.
std::string join_control(const std::string& base, const std::string& control);

}  // namespace tallywire::wire
