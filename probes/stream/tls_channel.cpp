#include "probes/stream/tls_channel.hpp"

#include <openssl/err.h>
#include <openssl/ssl.h>

#include <array>

namespace tallywire::stream {
namespace {

constexpr std::size_t piece = 16 * 1024;  // the largest record (RFC 8446 §5.1)

struct FreeContext {
  void operator()(SSL_CTX* context) const { SSL_CTX_free(context); }
};

SSL_CTX* client_context() {
  static const std::unique_ptr<SSL_CTX, FreeContext> context = [] {
    std::unique_ptr<SSL_CTX, FreeContext> made(SSL_CTX_new(TLS_client_method()));
    SSL_CTX_set_min_proto_version(made.get(), TLS1_2_VERSION);
    // Units with short keys still want metering; the certificate is not trusted anyway.
    SSL_CTX_set_security_level(made.get(), 1);
    SSL_CTX_set_verify(made.get(), SSL_VERIFY_NONE, nullptr);
    SSL_CTX_set_mode(made.get(), SSL_MODE_RELEASE_BUFFERS);
    // A unit that cuts the connection is told apart by us (the session was ended, or it broke).
    SSL_CTX_set_options(made.get(), SSL_OP_IGNORE_UNEXPECTED_EOF);
    return made;
  }();
  return context.get();
}

std::string last_error() {
  const auto code = ERR_get_error();
  ERR_clear_error();
  const char* text = code == 0 ? nullptr : ERR_reason_error_string(code);
  return text ? text : "no reason told";
}

}  // namespace

void TlsChannel::Free::operator()(SSL* ssl) const { SSL_free(ssl); }

TlsChannel::TlsChannel(std::string where) : where_(std::move(where)), ssl_(SSL_new(client_context())) {
  SSL_set_bio(ssl_.get(), BIO_new(BIO_s_mem()), BIO_new(BIO_s_mem()));  // both are the SSL's own now
  SSL_set_connect_state(ssl_.get());
}

TlsChannel::~TlsChannel() = default;

Fault TlsChannel::broken(const std::string& what) const {
  return {FaultKind::malformed, what + ": " + last_error(), where_,
          "check that this port speaks RTSP over TLS, and TLS 1.2 or newer"};
}

Outcome<bool> TlsChannel::shake_hands(wire::Octets came) {
  ERR_clear_error();
  if (!came.empty()) BIO_write(SSL_get_rbio(ssl_.get()), came.data(), static_cast<int>(came.size()));
  const int done = SSL_do_handshake(ssl_.get());
  if (done == 1) return true;
  const int why = SSL_get_error(ssl_.get(), done);
  if (why == SSL_ERROR_WANT_READ || why == SSL_ERROR_WANT_WRITE) return false;
  return broken("the TLS handshake failed");
}

Outcome<bool> TlsChannel::receive(wire::Octets came, const OnPlain& on_plain) {
  static thread_local std::array<std::uint8_t, piece> plain;
  ERR_clear_error();
  if (!came.empty()) BIO_write(SSL_get_rbio(ssl_.get()), came.data(), static_cast<int>(came.size()));
  for (;;) {
    const int count = SSL_read(ssl_.get(), plain.data(), static_cast<int>(plain.size()));
    if (count > 0) {
      on_plain({plain.data(), static_cast<std::size_t>(count)});
      continue;
    }
    const int why = SSL_get_error(ssl_.get(), count);
    if (why == SSL_ERROR_WANT_READ || why == SSL_ERROR_WANT_WRITE) return true;
    if (why == SSL_ERROR_ZERO_RETURN) return false;
    return broken("the unit's TLS records cannot be read");
  }
}

Outcome<void> TlsChannel::send(std::string_view plain) {
  ERR_clear_error();
  if (plain.empty()) return {};
  // A memory BIO takes all there is.
  if (SSL_write(ssl_.get(), plain.data(), static_cast<int>(plain.size())) > 0) return {};
  return broken("a request could not be encrypted");
}

std::string TlsChannel::take_outgoing() {
  BIO* out = SSL_get_wbio(ssl_.get());
  std::string octets(BIO_ctrl_pending(out), '\0');
  if (!octets.empty()) BIO_read(out, octets.data(), static_cast<int>(octets.size()));
  return octets;
}

TlsFacts TlsChannel::facts() const {
  TlsFacts out;
  out.version = SSL_get_version(ssl_.get());
  if (const auto* cipher = SSL_get_current_cipher(ssl_.get())) out.cipher = SSL_CIPHER_standard_name(cipher);
  out.certificate = certificate_of(ssl_.get());
  return out;
}

}  // namespace tallywire::stream
