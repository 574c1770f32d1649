// What the secrets mean to the probes.
#pragma once

#include "config/secrets.hpp"
#include "probes/link/snmp_session.hpp"
#include "probes/wire/digest.hpp"

#include <optional>
#include <string>

namespace tallywire::round {

inline std::optional<wire::Credentials> login_of(const config::Secrets& secrets, const std::string& name) {
  const auto secret = secrets.login(name);
  if (!secret) return std::nullopt;
  return wire::Credentials{secret->user, secret->password};
}

inline std::optional<link::SwitchAccess> snmp_of(const config::Secrets& secrets, const std::string& name,
                                                 const std::string& address, std::uint16_t udp_port) {
  const auto s = secrets.snmp(name);
  if (!s) return std::nullopt;
  return link::SwitchAccess{address,         udp_port,           s->community,       s->user,
                            s->auth_protocol, s->auth_password, s->privacy_protocol, s->privacy_password};
}

}  // namespace tallywire::round
