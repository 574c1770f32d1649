// TLS between octets and octets (OpenSSL over memory), for RTSP over TLS (RFC 7826 §19.2; rtsps of RFC 2326's users). It
// owns no socket: who does gives it what came and sends what it wants sent.
//
// Units carry certificates that they signed themselves, so none is refused: what it is, the report tells.
#pragma once

#include "probes/certificate.hpp"
#include "probes/fault.hpp"
#include "probes/wire/octets.hpp"

#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

namespace tallywire::stream {

struct TlsFacts {
  std::string version;  // "TLSv1.3"
  std::string cipher;   // as IANA names it
  std::optional<Certificate> certificate;
};

class TlsChannel {
 public:
  explicit TlsChannel(std::string where);
  ~TlsChannel();
  TlsChannel(const TlsChannel&) = delete;
  TlsChannel& operator=(const TlsChannel&) = delete;

  // Drives the handshake with what came (empty at the start). False: not done yet; send what take_outgoing() gives.
  Outcome<bool> shake_hands(wire::Octets came);

  // Octets from the wire in, plain octets to the callback, which must not call back into this object. False: the unit
  // closed the channel in order.
  using OnPlain = std::function<void(wire::Octets)>;
  Outcome<bool> receive(wire::Octets came, const OnPlain& on_plain);

  // Encrypts; take_outgoing() gives the octets for the wire.
  Outcome<void> send(std::string_view plain);
  std::string take_outgoing();

  TlsFacts facts() const;

 private:
  Fault broken(const std::string& what) const;

  struct Free {
    void operator()(SSL* ssl) const;
  };
  std::string where_;
  std::unique_ptr<SSL, Free> ssl_;
};

}  // namespace tallywire::stream
