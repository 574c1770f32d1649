#include "probes/stream/media_sockets.hpp"

#include <arpa/inet.h>
#include <ifaddrs.h>
#include <net/if.h>
#include <netinet/in.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstring>
#include <memory>

namespace tallywire::stream {
namespace {

constexpr int wanted_buffer_octets = 4 * 1024 * 1024;
constexpr std::size_t batch = 64;
constexpr std::size_t packet_octets = 9216;  // a jumbo frame; pages that no packet reaches are never touched
constexpr int most_batches = 64;

bool to_address(const std::string& text, int port, sockaddr_storage& out) {
  out = {};
  auto& v4 = reinterpret_cast<sockaddr_in&>(out);
  auto& v6 = reinterpret_cast<sockaddr_in6&>(out);
  if (inet_pton(AF_INET, text.c_str(), &v4.sin_addr) == 1) {
    v4.sin_family = AF_INET;
    v4.sin_port = htons(static_cast<std::uint16_t>(port));
    return true;
  }
  const auto zone = text.find('%');
  if (inet_pton(AF_INET6, text.substr(0, zone).c_str(), &v6.sin6_addr) != 1) return false;
  v6.sin6_family = AF_INET6;
  v6.sin6_port = htons(static_cast<std::uint16_t>(port));
  if (zone != std::string::npos) v6.sin6_scope_id = if_nametoindex(text.c_str() + zone + 1);
  return true;
}

socklen_t length_of(const sockaddr_storage& address) {
  return address.ss_family == AF_INET ? sizeof(sockaddr_in) : sizeof(sockaddr_in6);
}

bool same_host(const sockaddr_storage& a, const sockaddr_storage& b) {
  if (a.ss_family != b.ss_family) return false;
  if (a.ss_family == AF_INET)
    return reinterpret_cast<const sockaddr_in&>(a).sin_addr.s_addr == reinterpret_cast<const sockaddr_in&>(b).sin_addr.s_addr;
  return std::memcmp(&reinterpret_cast<const sockaddr_in6&>(a).sin6_addr, &reinterpret_cast<const sockaddr_in6&>(b).sin6_addr,
                     sizeof(in6_addr)) == 0;
}

bool is_multicast(const sockaddr_storage& address) {
  if (address.ss_family == AF_INET)
    return IN_MULTICAST(ntohl(reinterpret_cast<const sockaddr_in&>(address).sin_addr.s_addr));
  return IN6_IS_ADDR_MULTICAST(&reinterpret_cast<const sockaddr_in6&>(address).sin6_addr);
}

int port_of(int fd) {
  sockaddr_storage at{};
  socklen_t length = sizeof at;
  getsockname(fd, reinterpret_cast<sockaddr*>(&at), &length);
  return ntohs(at.ss_family == AF_INET ? reinterpret_cast<sockaddr_in&>(at).sin_port
                                       : reinterpret_cast<sockaddr_in6&>(at).sin6_port);
}

// 0 when no interface has it.
unsigned interface_with(const sockaddr_storage& address) {
  ifaddrs* list = nullptr;
  if (getifaddrs(&list) != 0) return 0;
  const std::unique_ptr<ifaddrs, decltype(&freeifaddrs)> owned(list, &freeifaddrs);
  for (const auto* at = list; at; at = at->ifa_next) {
    if (!at->ifa_addr || at->ifa_addr->sa_family != address.ss_family) continue;
    sockaddr_storage here{};
    std::memcpy(&here, at->ifa_addr, length_of(address));
    if (same_host(here, address)) return if_nametoindex(at->ifa_name);
  }
  return 0;
}

Fault no_socket(const std::string& what) {
  const std::string next = errno == EMFILE || errno == ENFILE ? "raise the limit of open files (ulimit -n), then repeat"
                                                              : "close other receivers, then repeat";
  return {FaultKind::system, what + ": " + std::strerror(errno), "this machine", next};
}

int open_socket(const sockaddr_storage& at, bool shared) {
  const int fd = ::socket(at.ss_family, SOCK_DGRAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
  if (fd < 0) return -1;
  const int on = 1, size = wanted_buffer_octets;
  // FORCE goes beyond rmem_max where we may; without the right the plain call takes what is allowed.
  if (setsockopt(fd, SOL_SOCKET, SO_RCVBUFFORCE, &size, sizeof size) != 0)
    setsockopt(fd, SOL_SOCKET, SO_RCVBUF, &size, sizeof size);
  setsockopt(fd, SOL_SOCKET, SO_TIMESTAMPNS, &on, sizeof on);
  setsockopt(fd, SOL_SOCKET, SO_RXQ_OVFL, &on, sizeof on);
  if (shared) setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on);  // several of us may listen to one group
  if (::bind(fd, reinterpret_cast<const sockaddr*>(&at), length_of(at)) != 0) {
    const int kept = errno;
    ::close(fd);
    errno = kept;
    return -1;
  }
  return fd;
}

bool join(int fd, const sockaddr_storage& group, const sockaddr_storage* source, unsigned interface) {
  const int level = group.ss_family == AF_INET ? IPPROTO_IP : IPPROTO_IPV6;
  if (source) {
    group_source_req request{};
    request.gsr_interface = interface;
    request.gsr_group = group;
    request.gsr_source = *source;
    return setsockopt(fd, level, MCAST_JOIN_SOURCE_GROUP, &request, sizeof request) == 0;
  }
  group_req request{};
  request.gr_interface = interface;
  request.gr_group = group;
  return setsockopt(fd, level, MCAST_JOIN_GROUP, &request, sizeof request) == 0;
}

SystemTime time_of(msghdr& message, std::uint32_t& overrun) {
  SystemTime when{};
  for (cmsghdr* c = CMSG_FIRSTHDR(&message); c; c = CMSG_NXTHDR(&message, c)) {
    if (c->cmsg_level != SOL_SOCKET) continue;
    if (c->cmsg_type == SCM_TIMESTAMPNS) {
      timespec at{};
      std::memcpy(&at, CMSG_DATA(c), sizeof at);
      when = SystemTime(std::chrono::seconds(at.tv_sec) + std::chrono::nanoseconds(at.tv_nsec));
    } else if (c->cmsg_type == SO_RXQ_OVFL) {
      std::memcpy(&overrun, CMSG_DATA(c), sizeof overrun);
    }
  }
  return when == SystemTime{} ? now_utc() : when;
}

// Room for one call of recvmmsg, laid out once for the thread: a drain of an idle socket costs the call and no more.
struct Batch {
  Batch() {
    for (std::size_t i = 0; i < batch; ++i) {
      vectors[i] = {buffers[i].data(), packet_octets};
      auto& header = messages[i].msg_hdr;
      header.msg_iov = &vectors[i];
      header.msg_iovlen = 1;
      header.msg_name = &senders[i];
      header.msg_control = controls[i].data();
      renew(i);
    }
  }
  void renew(std::size_t i) {
    messages[i].msg_hdr.msg_namelen = sizeof senders[i];
    messages[i].msg_hdr.msg_controllen = controls[i].size();
    messages[i].msg_hdr.msg_flags = 0;
  }
  std::array<std::array<std::uint8_t, packet_octets>, batch> buffers;
  std::array<mmsghdr, batch> messages{};
  std::array<iovec, batch> vectors{};
  std::array<sockaddr_storage, batch> senders{};
  struct alignas(cmsghdr) Control : std::array<char, 64> {};
  std::array<Control, batch> controls{};
};

}  // namespace

MediaSockets::~MediaSockets() {
  if (rtp_ >= 0) ::close(rtp_);
  if (rtcp_ >= 0) ::close(rtcp_);
}

Outcome<void> MediaSockets::open_unicast(const std::string& own_address, const std::string& unit_address) {
  sockaddr_storage own{};
  if (!to_address(unit_address, 0, peer_) || !to_address(own_address, 0, own)) {
    errno = EINVAL;
    return no_socket("no UDP socket can be opened");
  }
  sender_ = peer_;
  // The kernel chooses a free port; an even one whose neighbour is free too is soon found.
  for (int attempt = 0; attempt < 64; ++attempt) {
    const int fd = open_socket(own, false);
    if (fd < 0) return no_socket("no UDP socket can be opened");
    const int port = port_of(fd);
    sockaddr_storage neighbour{};
    to_address(own_address, port + 1, neighbour);
    const int next = port % 2 == 0 ? open_socket(neighbour, false) : -1;
    if (next >= 0) {
      rtp_ = fd;
      rtcp_ = next;
      rtp_port_ = port;
      rtcp_port_ = port + 1;
      return {};
    }
    ::close(fd);
  }
  return no_socket("no pair of UDP ports is free");
}

Outcome<void> MediaSockets::open_multicast(const MulticastPlace& place, const std::string& own_address) {
  sockaddr_storage group_rtcp{}, own{};
  if (!to_address(place.group, place.rtp_port, peer_) || !is_multicast(peer_))
    return Fault{FaultKind::malformed, "the unit names a group that is no multicast address: " + place.group, place.group, ""};
  to_address(place.group, place.rtcp_port, group_rtcp);
  to_address(own_address, 0, own);
  any_sender_ = place.source.empty() || !to_address(place.source, 0, sender_);
  rtp_ = open_socket(peer_, true);
  rtcp_ = open_socket(group_rtcp, true);
  if (rtp_ < 0 || rtcp_ < 0) return no_socket("the group's ports cannot be opened");
  const auto interface = interface_with(own);
  for (const int fd : {rtp_, rtcp_})
    if (!join(fd, peer_, any_sender_ ? nullptr : &sender_, interface))
      return no_socket("the group " + place.group + " cannot be joined");
  if (peer_.ss_family == AF_INET) {
    setsockopt(rtcp_, IPPROTO_IP, IP_MULTICAST_TTL, &place.ttl, sizeof place.ttl);
    ip_mreqn out{};
    out.imr_ifindex = static_cast<int>(interface);
    setsockopt(rtcp_, IPPROTO_IP, IP_MULTICAST_IF, &out, sizeof out);
  } else {
    setsockopt(rtcp_, IPPROTO_IPV6, IPV6_MULTICAST_HOPS, &place.ttl, sizeof place.ttl);
    setsockopt(rtcp_, IPPROTO_IPV6, IPV6_MULTICAST_IF, &interface, sizeof interface);
  }
  rtp_port_ = place.rtp_port;
  rtcp_port_ = place.rtcp_port;
  return {};
}

bool MediaSockets::is_from_peer(const sockaddr_storage& sender) const { return any_sender_ || same_host(sender, sender_); }

void MediaSockets::drain(int fd, const OnPacket& on_packet) {
  static thread_local const auto room = std::make_unique<Batch>();
  for (int round = 0; round < most_batches; ++round) {
    const int got = ::recvmmsg(fd, room->messages.data(), batch, MSG_DONTWAIT, nullptr);
    if (got <= 0) return;
    for (std::size_t i = 0; i < static_cast<std::size_t>(got); ++i) {
      auto& message = room->messages[i];
      const SystemTime when = time_of(message.msg_hdr, overrun_);
      if (is_from_peer(room->senders[i])) on_packet({room->buffers[i].data(), message.msg_len}, when);
      room->renew(i);
    }
    if (static_cast<std::size_t>(got) < batch) return;
  }
}

void MediaSockets::send_rtcp(int port, const std::vector<std::uint8_t>& packet) {
  if (rtcp_ < 0 || port <= 0 || port > 65535) return;
  auto to = peer_;
  (to.ss_family == AF_INET ? reinterpret_cast<sockaddr_in&>(to).sin_port : reinterpret_cast<sockaddr_in6&>(to).sin6_port) =
      htons(static_cast<std::uint16_t>(port));
  // A report that gets lost is replaced by the next one.
  [[maybe_unused]] const auto sent = ::sendto(rtcp_, packet.data(), packet.size(), MSG_DONTWAIT,
                                              reinterpret_cast<const sockaddr*>(&to), length_of(to));
}

}  // namespace tallywire::stream
