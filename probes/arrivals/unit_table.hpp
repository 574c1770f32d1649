// Who is on the wire, one unit one entry. Evidence is joined by hardware address, then by what the unit says of itself (its
// WS-Discovery endpoint, its serial number). Without I/O and without a clock: time comes with each sighting. One thread.
#pragma once

#include "probes/arrivals/maker_names.hpp"
#include "probes/arrivals/sighting.hpp"
#include "probes/arrivals/unit.hpp"

#include <array>
#include <map>
#include <optional>
#include <set>
#include <string>
#include <unordered_map>
#include <vector>

namespace tallywire::arrivals {

class UnitTable {
 public:
  // A flood of forged addresses must not eat the machine: beyond this the unit that was silent longest makes room, unless it is kept.
  static constexpr std::size_t most_units = 10'000;
  static constexpr std::size_t most_facts = 48;    // of a unit; beyond it the oldest goes
  static constexpr std::size_t most_facts_of_a_kind = 16;
  static constexpr std::size_t most_starts = 16;
  static constexpr std::size_t most_places = 8;
  static constexpr std::size_t most_names = 16;  // hardware addresses, and endpoints and serial numbers, of a unit
  static constexpr std::size_t longest_name = 256;  // octets of a fact, an endpoint, a serial number; the rest is cut off
  static constexpr std::size_t most_servers = 64;  // beyond it the one that was silent longest goes, of those that only clients named first

  // `makers` (may be null) outlives the table. `own`: hardware addresses of this machine, which are not units.
  UnitTable(const MakerNames* makers, const std::vector<wire::MacAddress>& own);

  // An interface of this machine may come and go, or be given another address.
  void set_own(const std::vector<wire::MacAddress>& own) { own_ = {own.begin(), own.end()}; }

  struct Heard {
    std::size_t unit = 0;    // index into units()
    bool fresh = false;      // its first frame
    bool told_new = false;   // something was said that was not known
    bool started = false;    // a sign that it was powered or restarted just now
  };
  // Each unit that the frame speaks of, once: one message may tell of several devices. Empty when it speaks of nobody but this
  // machine, or of nobody at all. Indexes hold until the next frame.
  std::vector<Heard> hear(const Sighting& sighting, const std::string& interface);

  // Units that were forgotten leave a place whose number is 0.
  const std::vector<Unit>& units() const { return units_; }
  const Unit* find(const wire::MacAddress& address) const;
  const std::vector<DhcpServer>& dhcp_servers() const { return servers_; }
  // A unit of the design is not made room of.
  void keep(std::size_t unit) { memory_[unit].kept = true; }
  std::uint64_t forgotten() const { return forgotten_; }

 private:
  // Signs of a start are counted by kind, for one start shows several of them, seconds apart.
  enum class Sign : std::uint8_t { address_probed, ipv6_address_probed, dhcp_began, instance_rose };
  struct Memory {
    bool kept = false;
    std::vector<std::string> identities;  // its keys in by_identity_
    bool is_served = false;               // a DHCP server gave it what it asked for, as far as was heard, and it has not begun anew since
    bool was_ever_served = false;
    std::uint32_t transaction = 0;        // of its DHCP requests
    unsigned requests = 0;                // with this transaction
    std::string probed;                   // address that it probed for last
    SystemTime probed_at{};               // first of these probes
    bool was_silent = false;              // before them
    std::map<std::string, std::uint64_t> instances;  // of its endpoints
    std::map<std::pair<Sign, std::string>, SystemTime> last_sign;
    std::array<std::vector<SystemTime>, 4> starts;
  };
  struct Speaker {
    Unit* unit;
    Memory* memory;
    SystemTime when;
    Heard* heard;
    std::optional<SystemTime> before = std::nullopt;  // its frame before this one
  };

  void hear_arp(Speaker& s, const wire::ArpPacket& arp);
  void hear_dhcp_client(Speaker& s, const wire::DhcpMessage& dhcp);
  void follow_lease(Speaker& s, const wire::DhcpMessage& dhcp);
  void hear_icmpv6(Speaker& s, const wire::Icmpv6Message& message);
  void hear_mdns(Speaker& s, const wire::DnsMessage& message, const std::optional<wire::IpAddress>& from);
  void hear_device(Speaker& s, const wire::WsDiscoveryMessage& message, const wire::WsDiscoveryDevice& device);
  void hear_lldp(Speaker& s, const wire::LldpNeighbour& lldp);
  void hear_dhcp_server(const Sighting& sighting, const wire::DhcpMessage& dhcp, const std::string& interface);
  std::vector<Heard> hear_devices(const Sighting& sighting, const wire::WsDiscoveryMessage& message, const std::string& interface);

  std::size_t unit_of(const wire::MacAddress& address, SystemTime when, Heard& heard);
  std::size_t device_of(const Sighting& sighting, const wire::WsDiscoveryDevice& device, Heard& heard);
  std::size_t add(SystemTime when, Heard& heard);
  void forget(std::size_t index);
  void join(std::size_t into, std::size_t other);
  void bind_identity(std::size_t index, const std::string& name, std::optional<std::size_t> speaker = std::nullopt);
  bool owned_by_another(const wire::IpAddress& address, std::size_t index, SystemTime when) const;
  void mark(std::size_t index, const Sighting& sighting, const std::string& interface);
  void tell(Speaker& s, What what, Source source, const std::string& value);
  void start(Speaker& s, Sign sign, const std::string& of_what, bool is_again);
  void choose_starts(std::size_t index);
  void adopt_chassis(std::size_t index, const wire::LldpNeighbour& lldp);
  bool is_passed_on(const Sighting& sighting, const wire::WsDiscoveryDevice& device, const Unit& known) const;
  DhcpServer* server(const std::string& address, const Sighting& sighting, const std::string& interface);

  const MakerNames* makers_;
  std::set<wire::MacAddress> own_;
  std::vector<Unit> units_;
  std::vector<Memory> memory_;
  std::vector<std::size_t> free_;
  std::map<wire::MacAddress, std::size_t> by_hardware_;
  std::unordered_map<std::string, std::size_t> by_identity_;  // endpoint, "serial …"
  std::vector<DhcpServer> servers_;
  std::vector<Heard> hearing_;  // of the message that is being heard: joins and floods move what it spoke of
  std::uint64_t next_number_ = 1;
  std::uint64_t forgotten_ = 0;
  std::size_t sweep_at_ = 0;  // where the search for room goes on
};

}  // namespace tallywire::arrivals
