// ONVIF device service over SOAP 1.2: what is asked of a unit and what it answers (ONVIF Core). Without I/O.
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"
#include "probes/wire/digest.hpp"
#include "probes/wire/octets.hpp"

#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace tallywire::wire {

// WS-Security UsernameToken digest: Base64(SHA-1(nonce octets + created + password)) (OASIS WSS UsernameToken
// Profile 1.0).
std::string username_token_digest(Octets nonce, std::string_view created, std::string_view password);

struct SoapLogin {
  Credentials login;
  std::vector<std::uint8_t> nonce;  // 16 random octets
  SystemTime unit_time;             // the unit's own clock, so that a unit with a wrong clock lets us in
};

struct OnvifRequest {
  std::string path = "/onvif/device_service";
  std::string content_type;  // with the action
  std::string body;
};

// Operations of the device service by name: "GetSystemDateAndTime", "GetDeviceInformation".
OnvifRequest encode_onvif(const std::string& operation, const std::optional<SoapLogin>& login);

struct UnitTime {
  SystemTime utc{};
  bool by_ntp = false;
};

// Valid UTF-8, with '?' for each octet of the unit's that was none.
struct UnitInformation {
  std::string manufacturer;
  std::string model;
  std::string firmware;
  std::string serial;
};

inline constexpr std::size_t largest_soap = 256 * 1024;

// Each answers `refused` for a SOAP fault that asks for a login, `malformed` for what is no such answer.
// Documents with a DOCTYPE are refused: SOAP has none, and entities could expand without end.
Outcome<UnitTime> decode_unit_time(std::string_view body, const std::string& where);
Outcome<UnitInformation> decode_unit_information(std::string_view body, const std::string& where);

}  // namespace tallywire::wire
