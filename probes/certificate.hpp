// The certificate that a unit showed in a TLS handshake, by HTTPS or by RTSP over TLS. It is told, not trusted: units sign
// their own. No I/O.
#pragma once

#include "probes/reading.hpp"

#include <optional>
#include <string>

typedef struct ssl_st SSL;

namespace tallywire {

struct Certificate {
  std::string sha256;  // of its DER octets, hexadecimal
  std::string subject;
  SystemTime not_before{};
  SystemTime not_after{};
  bool self_signed = false;  // its own key signed it
};

// None when the peer showed none.
std::optional<Certificate> certificate_of(SSL* session);

}  // namespace tallywire
