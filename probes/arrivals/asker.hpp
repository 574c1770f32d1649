// What we ask of one interface: few frames, counted, listed, and no faster than the stated rate. By ARP in the name of the
// interface's own IPv4 address where it has one. Without one only a probe is left (RFC 5227 §1.1: sender address zero), which a host
// that just starts would take for a conflict and refuse its own address (§2.1.1): then only those are asked that have been here for a
// while. Call from one thread.
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"
#include "probes/wire/arp.hpp"

#include <cstdint>
#include <deque>
#include <string>
#include <vector>

namespace tallywire::arrivals {

enum class AskKind : std::uint8_t { arp, sweep, ws_discovery, mdns };
const char* name_of(AskKind kind);  // "ARP", "ARP, sweep", "WS-Discovery probe", "mDNS question"

struct Ask {
  SystemTime when{};
  AskKind kind{};
  std::string interface;
  std::string address;  // who is asked for; of a multicast question where it was sent
};

// An IPv4 address of this machine with its subnet.
struct OwnSubnet {
  std::string interface;
  wire::Ipv4 address{};
  unsigned prefix_bits = 0;
  bool holds(const wire::Ipv4& other) const;
};
// Tokens for frames: `most_per_second` in the long run, `most_at_once` after a rest.
class Allowance {
 public:
  Allowance(double most_per_second, double most_at_once) : rate_(most_per_second), most_(most_at_once), left_(most_at_once) {}
  void pass(SystemTime now);
  bool take();
  std::size_t whole() const { return static_cast<std::size_t>(left_); }

 private:
  double rate_, most_, left_;
  SystemTime filled_{};
};

class Asker {
 public:
  static constexpr double most_per_second = 100;
  static constexpr double most_at_once = 20;
  static constexpr std::size_t remembered = 1000, remembered_of_sweeps = 4096;

  explicit Asker(std::string interface) : interface_(std::move(interface)) {}
  ~Asker();
  Asker(const Asker&) = delete;
  Asker& operator=(const Asker&) = delete;

  // The interface went away or got another name: opened anew at the next ask. What was asked stays listed.
  void follow(std::string interface);
  // Whether it asks in the name of an address of its own; looked up with each call.
  bool has_address();
  // How many ARP asks the rate allows now.
  std::size_t allowed(SystemTime now);
  // One ARP ask, behind VLAN tags where the unit was heard behind some. False: no IPv4 address, or the allowance is used up.
  // A Fault when the interface cannot be sent on; it is opened anew at the next call.
  Outcome<bool> ask(const std::string& address, const std::vector<std::uint16_t>& vlans, SystemTime now);
  // The same without the allowance: whoever sweeps keeps a rate of its own. Only with an address.
  Outcome<void> sweep(const wire::Ipv4& address, SystemTime now);
  // One WS-Discovery probe and one mDNS question (`_services._dns-sd._udp.local` and `_rtsp._tcp.local`, RFC 6763 §9), by IPv4 where
  // the interface has an address and by IPv6 where it has a link-local one. Probes for any device and for ONVIF's type take turns: some
  // devices answer to one of them only. Answers why nothing could be sent, where so.
  Outcome<void> discover(SystemTime now);

  const std::string& interface() const { return interface_; }
  const std::deque<Ask>& asked() const { return asked_; }
  const std::deque<Ask>& swept() const { return swept_; }
  std::uint64_t count() const { return count_; }

 private:
  Outcome<void> open();
  void close();
  Outcome<void> send_request(const wire::Ipv4& target, const std::vector<std::uint16_t>& vlans);
  Outcome<bool> multicast(bool ipv6, std::uint16_t port, const std::string& group, const std::vector<std::uint8_t>& text);
  void note(AskKind kind, std::string address, SystemTime now);

  std::string interface_;
  int socket_ = -1;
  int index_ = 0;
  std::vector<int> asking_;  // UDP sockets that await answers, so that the kernel does not refuse them; the listener hears them
  wire::MacAddress own_;
  Allowance allowance_{most_per_second, most_at_once};
  std::vector<OwnSubnet> subnets_;  // of this interface, as last looked up
  std::deque<Ask> asked_, swept_;
  std::uint64_t count_ = 0;
  bool typed_next_ = false;
};

// Hardware addresses of every interface of this machine.
std::vector<wire::MacAddress> own_hardware_addresses();

std::vector<OwnSubnet> own_subnets();

}  // namespace tallywire::arrivals
