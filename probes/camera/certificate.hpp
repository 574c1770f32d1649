// What OpenSSL knows of the certificate that a peer showed. No I/O.
#pragma once

#include "probes/camera/http_question.hpp"

#include <openssl/ssl.h>

namespace tallywire::camera {

// Empty when the peer showed none.
std::optional<Certificate> certificate_of(SSL* session);

}  // namespace tallywire::camera
