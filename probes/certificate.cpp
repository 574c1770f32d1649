#include "probes/certificate.hpp"

#include "probes/wire/base64.hpp"
#include "probes/wire/printable.hpp"

#include <openssl/ssl.h>
#include <openssl/x509.h>

#include <array>
#include <ctime>
#include <memory>

namespace tallywire {
namespace {

SystemTime time_of(const ASN1_TIME* time) {
  std::tm parts{};
  if (ASN1_TIME_to_tm(time, &parts) != 1) return {};
  return SystemTime(std::chrono::seconds(timegm(&parts)));
}

std::string subject_of(X509* certificate) {
  const std::unique_ptr<BIO, decltype(&BIO_free)> text(BIO_new(BIO_s_mem()), &BIO_free);
  if (!text || X509_NAME_print_ex(text.get(), X509_get_subject_name(certificate), 0, XN_FLAG_RFC2253) < 0) return {};
  std::array<char, 512> out{};
  const int length = BIO_read(text.get(), out.data(), static_cast<int>(out.size()));
  return length > 0 ? wire::printable(std::string_view(out.data(), static_cast<std::size_t>(length))) : std::string();
}

}  // namespace

std::optional<Certificate> certificate_of(SSL* session) {
  const std::unique_ptr<X509, decltype(&X509_free)> shown(SSL_get1_peer_certificate(session), &X509_free);
  if (!shown) return std::nullopt;
  std::array<std::uint8_t, EVP_MAX_MD_SIZE> digest{};
  unsigned length = 0;
  if (X509_digest(shown.get(), EVP_sha256(), digest.data(), &length) != 1) return std::nullopt;
  Certificate out;
  out.sha256 = wire::to_hex(wire::Octets(digest.data(), length));
  out.subject = subject_of(shown.get());
  out.not_before = time_of(X509_get0_notBefore(shown.get()));
  out.not_after = time_of(X509_get0_notAfter(shown.get()));
  out.self_signed = X509_self_signed(shown.get(), 1) == 1;
  return out;
}

}  // namespace tallywire
