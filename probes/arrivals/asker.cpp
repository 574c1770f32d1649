#include "probes/arrivals/asker.hpp"

#include "probes/wire/ethernet.hpp"

#include <ifaddrs.h>
#include <linux/if_packet.h>
#include <net/ethernet.h>
#include <net/if.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>

namespace tallywire::arrivals {

Asker::~Asker() { close(); }

void Asker::close() {
  if (socket_ >= 0) ::close(socket_);
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

Outcome<std::vector<std::string>> Asker::ask(const std::vector<std::string>& addresses, SystemTime now) {
  const double passed = std::chrono::duration<double>(now - filled_).count();
  if (passed > 0) tokens_ = std::min(most_at_once, tokens_ + std::min(passed, 10.0) * most_per_second);
  filled_ = now;
  std::vector<std::string> left_over;
  if (addresses.empty()) return left_over;
  if (socket_ < 0)
    if (auto opened = open(); !opened) return opened.error();
  sockaddr_ll to{};
  to.sll_family = AF_PACKET;
  to.sll_ifindex = index_;
  to.sll_halen = 6;
  std::memset(to.sll_addr, 0xff, 6);
  for (const auto& address : addresses) {
    const auto target = wire::decode_ipv4(address);
    if (!target) continue;  // ARP is IPv4's
    if (tokens_ < 1) {
      left_over.push_back(address);
      continue;
    }
    const auto frame = wire::encode_arp_request(own_, std::nullopt, *target);
    if (::sendto(socket_, frame.data(), frame.size(), 0, reinterpret_cast<sockaddr*>(&to), sizeof to) < 0) {
      Fault fault{FaultKind::system, std::string("nothing can be sent: ") + std::strerror(errno), interface_,
                  "look whether the interface is up"};
      close();
      return fault;
    }
    tokens_ -= 1;
    ++count_;
    asked_.push_back({now, address});
    if (asked_.size() > remembered) asked_.pop_front();
  }
  return left_over;
}

std::vector<std::string> own_hardware_addresses() {
  std::vector<std::string> out;
  ifaddrs* all = nullptr;
  if (::getifaddrs(&all) != 0) return out;
  for (const auto* one = all; one; one = one->ifa_next) {
    if (!one->ifa_addr || one->ifa_addr->sa_family != AF_PACKET) continue;
    const auto* link = reinterpret_cast<const sockaddr_ll*>(one->ifa_addr);
    if (link->sll_halen != 6) continue;
    wire::MacAddress mac;
    std::memcpy(mac.octets.data(), link->sll_addr, mac.octets.size());
    if (!mac.is_zero()) out.push_back(mac.text());
  }
  ::freeifaddrs(all);
  return out;
}

}  // namespace tallywire::arrivals
