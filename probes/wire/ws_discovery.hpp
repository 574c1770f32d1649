// WS-Discovery (April 2005) as ONVIF devices speak it: SOAP 1.2 over UDP, with ONVIF's scopes (ONVIF Core, discovery).
#pragma once

#include "probes/wire/octets.hpp"

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::wire {

inline constexpr std::uint16_t ws_discovery_port = 3702;

enum class WsDiscoveryKind : std::uint8_t { hello, bye, probe, probe_matches, resolve, resolve_matches };

// What a device says of itself in Hello, ProbeMatches or ResolveMatches; Bye has the endpoint alone.
struct WsDiscoveryDevice {
  std::string endpoint;                      // "urn:uuid:…", constant over interfaces and restarts
  std::vector<std::string> types;            // as sent, without prefix: "NetworkVideoTransmitter", "Device"
  std::vector<std::string> scopes;
  std::vector<std::string> service_addresses;  // XAddrs
  std::uint32_t metadata_version = 0;
  // Of the scopes onvif://www.onvif.org/…, percent-decoded and printable; empty where there is none. Several locations stand
  // with ", " between them. A hardware address reads "02:00:5e:10:00:31", whatever its signs were.
  std::string name, hardware, location, serial, hardware_address;
  bool operator==(const WsDiscoveryDevice&) const = default;
};

struct WsDiscoveryMessage {
  WsDiscoveryKind kind = WsDiscoveryKind::hello;
  std::string message_id, relates_to;
  std::optional<std::uint64_t> instance;     // AppSequence InstanceId: goes up with every start of the device
  std::vector<WsDiscoveryDevice> devices;
  bool operator==(const WsDiscoveryMessage&) const = default;
};

// The payload of a UDP datagram of port 3702. None when it is no such message, is nested too deep or has a DOCTYPE; at most
// 64 devices are taken, 256 scopes, types and addresses of each.
std::optional<WsDiscoveryMessage> decode_ws_discovery(Octets payload);

// A Probe to be sent to 239.255.255.250 or ff02::c: for any device (Types left out), or for ONVIF's dn:NetworkVideoTransmitter,
// for some devices answer to their type only. `message_id`: "urn:uuid:…".
enum class WsDiscoveryAim : std::uint8_t { any_device, network_video_transmitter };
std::string encode_ws_discovery_probe(const std::string& message_id, WsDiscoveryAim aim = WsDiscoveryAim::any_device);

const char* name_of(WsDiscoveryKind kind);  // "hello"

}  // namespace tallywire::wire
