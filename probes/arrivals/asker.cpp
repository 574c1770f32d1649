#include "probes/arrivals/asker.hpp"

#include "probes/wire/datagram.hpp"
#include "probes/wire/dns_message.hpp"
#include "probes/wire/ws_discovery.hpp"

#include <arpa/inet.h>
#include <ifaddrs.h>
#include <linux/if_packet.h>
#include <net/ethernet.h>
#include <net/if.h>
#include <netinet/in.h>
#include <sys/ioctl.h>
#include <sys/random.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <bit>
#include <cerrno>
#include <cstdio>
#include <cstring>

namespace tallywire::arrivals {

namespace {

// Random, version 4 (RFC 9562 §5.4).
std::string new_urn() {
  std::array<std::uint8_t, 16> octets{};
  if (::getrandom(octets.data(), octets.size(), 0) != static_cast<ssize_t>(octets.size())) return {};
  octets[6] = static_cast<std::uint8_t>((octets[6] & 0x0f) | 0x40);
  octets[8] = static_cast<std::uint8_t>((octets[8] & 0x3f) | 0x80);
  std::string out = "urn:uuid:";
  for (std::size_t i = 0; i < octets.size(); ++i) {
    char text[4];
    std::snprintf(text, sizeof text, "%02x", octets[i]);
    if (i == 4 || i == 6 || i == 8 || i == 10) out += '-';
    out += text;
  }
  return out;
}

// Bound to the interface, and to the well-known port for mDNS, so that answers go to the group (RFC 6762 §5.2).
int open_udp(const std::string& interface, bool ipv6, std::uint16_t port) {
  const int s = ::socket(ipv6 ? AF_INET6 : AF_INET, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
  if (s < 0) return -1;
  const int on = 1;
  const int hops = port == wire::mdns_port ? 255 : 1;  // RFC 6762 §11; WS-Discovery stays on the link
  const int little = 1;                                // what comes is heard by the listener
  ::setsockopt(s, SOL_SOCKET, SO_RCVBUF, &little, sizeof little);
  ::setsockopt(s, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on);
  ::setsockopt(s, SOL_SOCKET, SO_REUSEPORT, &on, sizeof on);
  bool good = ::setsockopt(s, SOL_SOCKET, SO_BINDTODEVICE, interface.c_str(), static_cast<socklen_t>(interface.size())) == 0;
  const std::uint16_t bound = port == wire::mdns_port ? port : 0;
  if (ipv6) {
    sockaddr_in6 any{};
    any.sin6_family = AF_INET6;
    any.sin6_port = htons(bound);
    ::setsockopt(s, IPPROTO_IPV6, IPV6_V6ONLY, &on, sizeof on);
    ::setsockopt(s, IPPROTO_IPV6, IPV6_MULTICAST_HOPS, &hops, sizeof hops);
    good = good && ::bind(s, reinterpret_cast<sockaddr*>(&any), sizeof any) == 0;
  } else {
    sockaddr_in any{};
    any.sin_family = AF_INET;
    any.sin_port = htons(bound);
    ::setsockopt(s, IPPROTO_IP, IP_MULTICAST_TTL, &hops, sizeof hops);
    good = good && ::bind(s, reinterpret_cast<sockaddr*>(&any), sizeof any) == 0;
  }
  if (good) return s;
  ::close(s);
  return -1;
}

}  // namespace

const char* name_of(AskKind kind) {
  switch (kind) {
    case AskKind::arp: return "ARP";
    case AskKind::sweep: return "ARP, sweep";
    case AskKind::ws_discovery: return "WS-Discovery probe";
    case AskKind::mdns: return "mDNS question";
  }
  return "";
}

void Allowance::pass(SystemTime now) {
  const double passed = std::chrono::duration<double>(now - filled_).count();
  if (passed > 0) left_ = std::min(most_, left_ + std::min(passed, 10.0) * rate_);
  filled_ = now;
}

bool Allowance::take() {
  if (left_ < 1) return false;
  left_ -= 1;
  return true;
}

Asker::~Asker() { close(); }

void Asker::close() {
  if (socket_ >= 0) ::close(socket_);
  for (const int s : asking_) ::close(s);
  asking_.clear();
  socket_ = -1;
}

Outcome<void> Asker::open() {
  const auto fail = [this](const char* what) {
    Fault fault{FaultKind::system, std::string(what) + ": " + std::strerror(errno), interface_,
                "check the interface; run as root or with the capability CAP_NET_RAW"};
    close();
    return fault;
  };
  // Protocol 0: this socket sends, and hears nothing.
  socket_ = ::socket(AF_PACKET, SOCK_RAW | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
  if (socket_ < 0) return fail("no raw socket can be opened");
  ifreq request{};
  std::strncpy(request.ifr_name, interface_.c_str(), IFNAMSIZ - 1);
  if (::ioctl(socket_, SIOCGIFINDEX, &request) != 0) return fail("the interface is not there");
  index_ = request.ifr_ifindex;
  if (::ioctl(socket_, SIOCGIFHWADDR, &request) != 0) return fail("the interface has no hardware address");
  std::memcpy(own_.octets.data(), request.ifr_hwaddr.sa_data, own_.octets.size());
  return {};
}

void Asker::note(AskKind kind, std::string address, SystemTime now) {
  ++count_;
  auto& list = kind == AskKind::sweep ? swept_ : asked_;
  list.push_back({now, kind, interface_, std::move(address)});
  if (list.size() > (kind == AskKind::sweep ? remembered_of_sweeps : remembered)) list.pop_front();
}

void Asker::follow(std::string interface) {
  close();
  interface_ = std::move(interface);
}

bool Asker::has_address() {
  subnets_ = own_subnets();
  std::erase_if(subnets_, [this](const OwnSubnet& subnet) { return subnet.interface != interface_; });
  return !subnets_.empty();
}

Outcome<void> Asker::send_request(const wire::Ipv4& target, const std::vector<std::uint16_t>& vlans) {
  if (socket_ < 0)
    if (auto opened = open(); !opened) return opened.error();
  sockaddr_ll to{};
  to.sll_family = AF_PACKET;
  to.sll_ifindex = index_;
  to.sll_halen = 6;
  std::memset(to.sll_addr, 0xff, 6);
  // In the target's subnet where there is such an address; any other of the interface's is as much its own.
  std::optional<wire::Ipv4> in_the_name_of;
  for (const auto& subnet : subnets_)
    if (!in_the_name_of || subnet.holds(target)) in_the_name_of = subnet.address;
  const auto frame = wire::encode_arp_request(own_, in_the_name_of, target, vlans);
  if (::sendto(socket_, frame.data(), frame.size(), 0, reinterpret_cast<sockaddr*>(&to), sizeof to) >= 0) return {};
  Fault fault{FaultKind::system, std::string("nothing can be sent: ") + std::strerror(errno), interface_, "look whether the interface is up"};
  close();
  return fault;
}

std::size_t Asker::allowed(SystemTime now) {
  allowance_.pass(now);
  return allowance_.whole();
}

Outcome<bool> Asker::ask(const std::string& address, const std::vector<std::uint16_t>& vlans, SystemTime now) {
  const auto target = wire::decode_ipv4(address);
  if (!target) return false;  // ARP is IPv4's
  allowance_.pass(now);
  if (!allowance_.take()) return false;
  if (auto done = send_request(*target, vlans); !done) return done.error();
  note(AskKind::arp, address, now);
  return true;
}

Outcome<void> Asker::sweep(const wire::Ipv4& address, SystemTime now) {
  if (subnets_.empty() && !has_address())
    return Fault{FaultKind::bad_request, "the interface has no IPv4 address to sweep from", interface_,
                 "give it one: asked without an address, units that just start would take it for a conflict"};
  auto done = send_request(address, {});
  if (done) note(AskKind::sweep, wire::text_of(address), now);
  return done;
}

// False: the interface has no address of that family to ask from.
Outcome<bool> Asker::multicast(bool ipv6, std::uint16_t port, const std::string& group, const std::vector<std::uint8_t>& text) {
  const int s = open_udp(interface_, ipv6, port);
  if (s < 0) return Fault{FaultKind::system, std::string("no socket can be opened: ") + std::strerror(errno), interface_, "run as root or with CAP_NET_RAW"};
  asking_.push_back(s);
  // Whoever forwards groups only to those who joined them would else keep the devices' own announcements from us.
  ssize_t sent = -1;
  if (ipv6) {
    sockaddr_in6 to{};
    to.sin6_family = AF_INET6;
    to.sin6_port = htons(port);
    to.sin6_scope_id = if_nametoindex(interface_.c_str());
    ::inet_pton(AF_INET6, group.c_str(), &to.sin6_addr);
    ipv6_mreq join{to.sin6_addr, to.sin6_scope_id};
    ::setsockopt(s, IPPROTO_IPV6, IPV6_ADD_MEMBERSHIP, &join, sizeof join);
    ::setsockopt(s, IPPROTO_IPV6, IPV6_MULTICAST_IF, &to.sin6_scope_id, sizeof(int));
    sent = ::sendto(s, text.data(), text.size(), 0, reinterpret_cast<sockaddr*>(&to), sizeof to);
  } else {
    sockaddr_in to{};
    to.sin_family = AF_INET;
    to.sin_port = htons(port);
    ::inet_pton(AF_INET, group.c_str(), &to.sin_addr);
    ip_mreqn join{to.sin_addr, {}, static_cast<int>(if_nametoindex(interface_.c_str()))};
    ::setsockopt(s, IPPROTO_IP, IP_ADD_MEMBERSHIP, &join, sizeof join);
    ::setsockopt(s, IPPROTO_IP, IP_MULTICAST_IF, &join, sizeof join);
    sent = ::sendto(s, text.data(), text.size(), 0, reinterpret_cast<sockaddr*>(&to), sizeof to);
  }
  if (sent >= 0) return true;
  if (errno == EADDRNOTAVAIL || errno == ENETUNREACH || errno == EAFNOSUPPORT) return false;
  return Fault{FaultKind::system, std::string("nothing can be sent: ") + std::strerror(errno), interface_, "look whether the interface is up"};
}

Outcome<void> Asker::discover(SystemTime now) {
  for (const int s : asking_) ::close(s);
  asking_.clear();
  bool has_ipv6 = false;
  const bool has_ipv4 = has_address();
  const auto aim = typed_next_ ? wire::WsDiscoveryAim::network_video_transmitter : wire::WsDiscoveryAim::any_device;
  typed_next_ = !typed_next_;
  const auto probe = wire::encode_ws_discovery_probe(new_urn(), aim);
  const std::vector<std::uint8_t> question = wire::encode_dns_question({"_services._dns-sd._udp.local", "_rtsp._tcp.local"});
  const std::vector<std::uint8_t> probe_octets(probe.begin(), probe.end());
  for (const bool ipv6 : {false, true}) {
    if (!ipv6 && !has_ipv4) continue;
    const std::string devices = ipv6 ? "ff02::c" : "239.255.255.250", names = ipv6 ? "ff02::fb" : "224.0.0.251";
    auto first = multicast(ipv6, wire::ws_discovery_port, devices, probe_octets);
    if (!first) return first.error();
    if (*first) note(AskKind::ws_discovery, devices, now);
    auto second = multicast(ipv6, wire::mdns_port, names, question);
    if (!second) return second.error();
    if (*second) note(AskKind::mdns, names, now);
    has_ipv6 = has_ipv6 || (ipv6 && *first);
  }
  if (has_ipv4 || has_ipv6) return {};
  return Fault{FaultKind::unsupported, "no address to ask by WS-Discovery or mDNS from", interface_,
               "what units say by themselves is heard all the same; give the interface an address to ask"};
}

std::vector<wire::MacAddress> own_hardware_addresses() {
  std::vector<wire::MacAddress> out;
  ifaddrs* all = nullptr;
  if (::getifaddrs(&all) != 0) return out;
  for (const auto* one = all; one; one = one->ifa_next) {
    if (!one->ifa_addr || one->ifa_addr->sa_family != AF_PACKET) continue;
    const auto* link = reinterpret_cast<const sockaddr_ll*>(one->ifa_addr);
    if (link->sll_halen != 6) continue;
    wire::MacAddress mac;
    std::memcpy(mac.octets.data(), link->sll_addr, mac.octets.size());
    if (!mac.is_zero()) out.push_back(mac);
  }
  ::freeifaddrs(all);
  return out;
}

bool OwnSubnet::holds(const wire::Ipv4& other) const {
  for (unsigned bit = 0; bit < std::min(prefix_bits, 32u); ++bit)
    if ((address[bit / 8] ^ other[bit / 8]) & (0x80 >> bit % 8)) return false;
  return true;
}

std::vector<OwnSubnet> own_subnets() {
  std::vector<OwnSubnet> out;
  ifaddrs* all = nullptr;
  if (::getifaddrs(&all) != 0) return out;
  for (const auto* one = all; one; one = one->ifa_next) {
    if (!one->ifa_addr || one->ifa_addr->sa_family != AF_INET || !one->ifa_netmask || (one->ifa_flags & IFF_LOOPBACK)) continue;
    OwnSubnet subnet;
    subnet.interface = one->ifa_name;
    std::memcpy(subnet.address.data(), &reinterpret_cast<const sockaddr_in*>(one->ifa_addr)->sin_addr, 4);
    subnet.prefix_bits = static_cast<unsigned>(std::popcount(reinterpret_cast<const sockaddr_in*>(one->ifa_netmask)->sin_addr.s_addr));
    out.push_back(std::move(subnet));
  }
  ::freeifaddrs(all);
  return out;
}

}  // namespace tallywire::arrivals
