#include "probes/path/udp_socket.hpp"

#include <ifaddrs.h>
#include <net/if.h>
#include <netinet/in.h>
#include <poll.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstring>
#include <vector>

namespace tallywire::path {
namespace {

constexpr int buffer_octets = 32 * 1024 * 1024;  // 180 ms of 1500-octet packets at 1 Gbit/s, each with what the kernel adds
constexpr std::size_t largest_packet = 65'535;
constexpr std::size_t batch = 64;
constexpr std::size_t slot_octets = 128;         // only the head is read; the rest is cut off
constexpr std::size_t control_octets = 128;

Fault failed(const char* what, const std::string& where) {
  return {FaultKind::system, std::string(what) + ": " + std::strerror(errno), where, "look at the machine's network"};
}

// Beyond the system's limit where we may; else as much as it gives.
void enlarge(int handle, int force, int plain) {
  if (::setsockopt(handle, SOL_SOCKET, force, &buffer_octets, sizeof buffer_octets) != 0)
    ::setsockopt(handle, SOL_SOCKET, plain, &buffer_octets, sizeof buffer_octets);
}

std::int64_t realtime_ns() {
  timespec t{};
  ::clock_gettime(CLOCK_REALTIME, &t);
  return std::int64_t{t.tv_sec} * 1'000'000'000 + t.tv_nsec;
}

struct Batch {
  std::array<std::array<std::uint8_t, slot_octets>, batch> octets;
  std::array<std::array<std::uint8_t, control_octets>, batch> control;
  std::array<sockaddr_storage, batch> from;
  std::array<iovec, batch> pieces;
  std::array<mmsghdr, batch> heads;

  void make_ready() {
    for (std::size_t i = 0; i < batch; ++i) {
      pieces[i] = {octets[i].data(), slot_octets};
      heads[i] = {};
      heads[i].msg_hdr.msg_name = &from[i];
      heads[i].msg_hdr.msg_namelen = sizeof from[i];
      heads[i].msg_hdr.msg_iov = &pieces[i];
      heads[i].msg_hdr.msg_iovlen = 1;
      heads[i].msg_hdr.msg_control = control[i].data();
      heads[i].msg_hdr.msg_controllen = control_octets;
    }
  }
};

void read_control(msghdr& head, std::int64_t& when_ns, std::uint32_t& dropped) {
  for (auto* c = CMSG_FIRSTHDR(&head); c != nullptr; c = CMSG_NXTHDR(&head, c)) {
    if (c->cmsg_level != SOL_SOCKET) continue;
    if (c->cmsg_type == SCM_TIMESTAMPNS) {
      timespec t{};
      std::memcpy(&t, CMSG_DATA(c), sizeof t);
      when_ns = std::int64_t{t.tv_sec} * 1'000'000'000 + t.tv_nsec;
    } else if (c->cmsg_type == SO_RXQ_OVFL) {
      std::memcpy(&dropped, CMSG_DATA(c), sizeof dropped);
    }
  }
}

}  // namespace

UdpSocket::~UdpSocket() {
  if (handle_ >= 0) ::close(handle_);
}

std::optional<Fault> UdpSocket::open(const boost::asio::ip::address& here) {
  v6_ = here.is_v6();
  const Endpoint endpoint(here, 0);
  handle_ = ::socket(v6_ ? AF_INET6 : AF_INET, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
  if (handle_ < 0 || ::bind(handle_, endpoint.data(), static_cast<socklen_t>(endpoint.size())) != 0)
    return failed("a UDP socket cannot be opened", here.to_string());
  enlarge(handle_, SO_RCVBUFFORCE, SO_RCVBUF);
  enlarge(handle_, SO_SNDBUFFORCE, SO_SNDBUF);
  const int on = 1, probe = v6_ ? IPV6_PMTUDISC_PROBE : IP_PMTUDISC_PROBE;
  ::setsockopt(handle_, SOL_SOCKET, SO_RXQ_OVFL, &on, sizeof on);
  if (::setsockopt(handle_, SOL_SOCKET, SO_TIMESTAMPNS, &on, sizeof on) != 0 ||
      ::setsockopt(handle_, v6_ ? IPPROTO_IPV6 : IPPROTO_IP, v6_ ? IPV6_MTU_DISCOVER : IP_MTU_DISCOVER, &probe, sizeof probe) != 0)
    return failed("a UDP socket cannot be set up", here.to_string());
  return std::nullopt;
}

std::optional<Fault> UdpSocket::connect(const Endpoint& peer) {
  if (::connect(handle_, peer.data(), static_cast<socklen_t>(peer.size())) != 0)
    return failed("the far end's UDP port cannot be reached", peer.address().to_string());
  connected_ = true;
  return std::nullopt;
}

std::uint16_t UdpSocket::port() const {
  sockaddr_storage address{};
  socklen_t length = sizeof address;
  if (::getsockname(handle_, reinterpret_cast<sockaddr*>(&address), &length) != 0) return 0;
  Endpoint out;
  std::memcpy(out.data(), &address, std::min<std::size_t>(length, out.capacity()));
  return out.port();
}

bool UdpSocket::receive(std::chrono::milliseconds limit, const std::function<void(const Arrival&)>& take) {
  thread_local Batch slots;
  pollfd p{handle_, POLLIN, 0};
  if (::poll(&p, 1, static_cast<int>(limit.count())) <= 0) return false;
  slots.make_ready();
  const int count = ::recvmmsg(handle_, slots.heads.data(), batch, MSG_DONTWAIT, nullptr);
  if (count <= 0) return false;  // an error that ICMP brought is taken off the socket by this
  for (std::size_t i = 0; i < static_cast<std::size_t>(count); ++i) {
    auto& head = slots.heads[i];
    Arrival arrival;
    arrival.octets = wire::Octets(slots.octets[i]).first(std::min<std::size_t>(head.msg_len, slot_octets));
    arrival.when_ns = realtime_ns();
    read_control(head.msg_hdr, arrival.when_ns, dropped_);
    std::memcpy(arrival.from.data(), &slots.from[i], std::min<std::size_t>(head.msg_hdr.msg_namelen, arrival.from.capacity()));
    take(arrival);
  }
  return true;
}

int UdpSocket::send(const UdpPacket& packet, const UdpToken& token, std::size_t packet_bytes) {
  std::vector<std::uint8_t> octets(std::clamp(packet_bytes, header_octets() + udp_head_octets, largest_packet) - header_octets());
  encode_udp_head(packet, token, octets.data());
  return ::send(handle_, octets.data(), octets.size(), MSG_DONTWAIT | MSG_NOSIGNAL) < 0 ? errno : 0;
}

int UdpSocket::send_to(const Endpoint& peer, const UdpPacket& packet, const UdpToken& token, std::size_t packet_bytes) {
  std::vector<std::uint8_t> octets(std::clamp(packet_bytes, header_octets() + udp_head_octets, largest_packet) - header_octets());
  encode_udp_head(packet, token, octets.data());
  const auto length = static_cast<socklen_t>(peer.size());
  return ::sendto(handle_, octets.data(), octets.size(), MSG_DONTWAIT | MSG_NOSIGNAL, peer.data(), length) < 0 ? errno : 0;
}

std::size_t UdpSocket::interface_mtu() const {
  sockaddr_storage here{};
  socklen_t length = sizeof here;
  ifaddrs* list = nullptr;
  if (::getsockname(handle_, reinterpret_cast<sockaddr*>(&here), &length) != 0 || ::getifaddrs(&list) != 0) return 0;
  std::size_t mtu = 0;
  for (const auto* at = list; at != nullptr; at = at->ifa_next) {
    if (at->ifa_addr == nullptr || at->ifa_addr->sa_family != here.ss_family) continue;
    const bool same = v6_ ? std::memcmp(&reinterpret_cast<const sockaddr_in6*>(at->ifa_addr)->sin6_addr,
                                        &reinterpret_cast<const sockaddr_in6*>(&here)->sin6_addr, sizeof(in6_addr)) == 0
                          : reinterpret_cast<const sockaddr_in*>(at->ifa_addr)->sin_addr.s_addr ==
                                reinterpret_cast<const sockaddr_in*>(&here)->sin_addr.s_addr;
    if (!same) continue;
    ifreq request{};
    std::strncpy(request.ifr_name, at->ifa_name, IFNAMSIZ - 1);
    if (::ioctl(handle_, SIOCGIFMTU, &request) == 0) mtu = static_cast<std::size_t>(request.ifr_mtu);
    break;
  }
  ::freeifaddrs(list);
  return std::min(mtu, largest_packet);
}

std::size_t UdpSocket::route_mtu() const {
  int mtu = 0;
  socklen_t length = sizeof mtu;
  const bool told = ::getsockopt(handle_, v6_ ? IPPROTO_IPV6 : IPPROTO_IP, v6_ ? IPV6_MTU : IP_MTU, &mtu, &length) == 0;
  return told && mtu > 0 ? static_cast<std::size_t>(mtu) : 0;
}

}  // namespace tallywire::path
