// ONVIF device service over SOAP 1.2: what is asked of a unit and what it answers (ONVIF Core; names and namespaces of
// devicemgmt.wsdl and onvif.xsd). Without I/O. The media services stand in onvif_media.hpp.
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

inline constexpr const char* device_service = "http://www.onvif.org/ver10/device/wsdl";
inline constexpr const char* device_path = "/onvif/device_service";  // ONVIF Core: the same on every unit

// WS-Security UsernameToken digest: Base64(SHA-1(nonce octets + created + password)) (OASIS WSS UsernameToken
// Profile 1.0).
std::string username_token_digest(Octets nonce, std::string_view created, std::string_view password);

struct SoapLogin {
  Credentials login;
  std::vector<std::uint8_t> nonce;  // 16 random octets
  SystemTime unit_time;             // the unit's own clock, so that a unit with a wrong clock lets us in
};

// One operation of a service. `arguments` is XML in the service's namespace, its texts escaped.
struct OnvifQuestion {
  std::string service = device_service;
  std::string operation;
  std::string arguments = {};
};

struct OnvifRequest {
  std::string content_type;  // with the action
  std::string body;
};

OnvifRequest encode_onvif(const OnvifQuestion& question, const std::optional<SoapLogin>& login);

OnvifQuestion ask_unit_time();         // no login needed (ONVIF Core, access classes)
OnvifQuestion ask_unit_information();
OnvifQuestion ask_services();
OnvifQuestion ask_capabilities();      // what older units answer instead

struct UnitTime {
  SystemTime utc{};
  bool by_ntp = false;
};

// Texts are printable UTF-8 (printable.hpp).
struct UnitInformation {
  std::string manufacturer;
  std::string model;
  std::string firmware;
  std::string serial;
};

// Where the unit says its media services are; empty: it has none. As the unit writes them, any host.
struct UnitServices {
  std::string media1_url;
  std::string media2_url;
};

inline constexpr std::size_t largest_soap = 256 * 1024;

// Each answers `refused` for a SOAP fault that asks for a login, `unsupported` for another, `malformed` for what is no
// such answer. Documents with a DOCTYPE are refused: SOAP has none, and entities could expand without end.
Outcome<UnitTime> decode_unit_time(std::string_view body, const std::string& where);
Outcome<UnitInformation> decode_unit_information(std::string_view body, const std::string& where);
Outcome<UnitServices> decode_services(std::string_view body, const std::string& where);
Outcome<UnitServices> decode_capabilities(std::string_view body, const std::string& where);

// Whether an answer of any operation is a SOAP fault that asks for a login.
bool asks_for_login(std::string_view body);

}  // namespace tallywire::wire
