#include "probes/stream/media_sockets.hpp"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <sys/socket.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstring>

namespace tallywire::stream {
namespace {

constexpr int receive_buffer_octets = 4 * 1024 * 1024;
constexpr std::size_t batch = 32;
constexpr std::size_t packet_octets = 2048;

struct Address {
  sockaddr_storage storage{};
  socklen_t length = 0;
  int family = AF_UNSPEC;
};

bool to_address(const std::string& text, int port, Address& out) {
  auto* v4 = reinterpret_cast<sockaddr_in*>(&out.storage);
  auto* v6 = reinterpret_cast<sockaddr_in6*>(&out.storage);
  if (inet_pton(AF_INET, text.c_str(), &v4->sin_addr) == 1) {
    v4->sin_family = AF_INET;
    v4->sin_port = htons(static_cast<std::uint16_t>(port));
    out.length = sizeof *v4;
    out.family = AF_INET;
    return true;
  }
  if (inet_pton(AF_INET6, text.c_str(), &v6->sin6_addr) == 1) {
    v6->sin6_family = AF_INET6;
    v6->sin6_port = htons(static_cast<std::uint16_t>(port));
    out.length = sizeof *v6;
    out.family = AF_INET6;
    return true;
  }
  return false;
}

std::string text_of(const sockaddr_storage& address) {
  char text[INET6_ADDRSTRLEN] = {};
  if (address.ss_family == AF_INET)
    inet_ntop(AF_INET, &reinterpret_cast<const sockaddr_in&>(address).sin_addr, text, sizeof text);
  else
    inet_ntop(AF_INET6, &reinterpret_cast<const sockaddr_in6&>(address).sin6_addr, text, sizeof text);
  return text;
}

Fault no_socket(const std::string& what) {
  return {FaultKind::system, what + ": " + std::strerror(errno), "this machine", "close other receivers, then repeat"};
}

int open_socket(const std::string& address, int port) {
  Address at;
  if (!to_address(address, port, at)) {
    errno = EINVAL;
    return -1;
  }
  const int fd = ::socket(at.family, SOCK_DGRAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
  if (fd < 0) return -1;
  const int on = 1, size = receive_buffer_octets;
  // FORCE goes beyond rmem_max where we may; without the right the plain call takes what is allowed.
  if (setsockopt(fd, SOL_SOCKET, SO_RCVBUFFORCE, &size, sizeof size) != 0)
    setsockopt(fd, SOL_SOCKET, SO_RCVBUF, &size, sizeof size);
  setsockopt(fd, SOL_SOCKET, SO_TIMESTAMPNS, &on, sizeof on);
  setsockopt(fd, SOL_SOCKET, SO_RXQ_OVFL, &on, sizeof on);
  if (::bind(fd, reinterpret_cast<sockaddr*>(&at.storage), at.length) != 0) {
    const int kept = errno;
    ::close(fd);
    errno = kept;
    return -1;
  }
  return fd;
}

SystemTime time_of(msghdr& message, std::uint32_t& overrun) {
  SystemTime when = now_utc();
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
  return when;
}

}  // namespace

MediaSockets::~MediaSockets() {
  if (rtp_ >= 0) ::close(rtp_);
  if (rtcp_ >= 0) ::close(rtcp_);
}

Outcome<void> MediaSockets::open_unicast(const std::string& own_address) {
  // The kernel chooses a free port; an even one whose neighbour is free too is soon found.
  for (int attempt = 0; attempt < 64; ++attempt) {
    const int fd = open_socket(own_address, 0);
    if (fd < 0) return no_socket("no UDP socket can be opened");
    sockaddr_storage at{};
    socklen_t length = sizeof at;
    getsockname(fd, reinterpret_cast<sockaddr*>(&at), &length);
    const int port = ntohs(at.ss_family == AF_INET ? reinterpret_cast<sockaddr_in&>(at).sin_port
                                                   : reinterpret_cast<sockaddr_in6&>(at).sin6_port);
    const int next = port % 2 == 0 ? open_socket(own_address, port + 1) : -1;
    if (next >= 0) {
      rtp_ = fd;
      rtcp_ = next;
      rtp_port_ = port;
      return {};
    }
    ::close(fd);
  }
  return no_socket("no pair of UDP ports is free");
}

Outcome<void> MediaSockets::open_multicast(const std::string& group, int rtp_port, int rtcp_port,
                                           const std::string& own_address) {
  in_addr group_address{};
  if (inet_pton(AF_INET, group.c_str(), &group_address) != 1 || !IN_MULTICAST(ntohl(group_address.s_addr)))
    return Fault{FaultKind::malformed, "the unit names a group that is no IPv4 multicast address: " + group, group, ""};
  rtp_ = open_socket(group, rtp_port);
  rtcp_ = open_socket(group, rtcp_port);
  if (rtp_ < 0 || rtcp_ < 0) return no_socket("the group's ports cannot be opened");
  ip_mreq join{group_address, {}};
  inet_pton(AF_INET, own_address.c_str(), &join.imr_interface);
  for (const int fd : {rtp_, rtcp_})
    if (setsockopt(fd, IPPROTO_IP, IP_ADD_MEMBERSHIP, &join, sizeof join) != 0)
      return no_socket("the group " + group + " cannot be joined");
  rtp_port_ = rtp_port;
  return {};
}

void MediaSockets::drain(int fd, const std::string& from, const OnPacket& on_packet) {
  static thread_local std::array<std::array<std::uint8_t, packet_octets>, batch> buffers;
  std::array<mmsghdr, batch> messages{};
  std::array<iovec, batch> vectors{};
  std::array<sockaddr_storage, batch> senders{};
  std::array<std::array<char, 64>, batch> controls{};
  for (int round = 0; round < 64; ++round) {
    for (std::size_t i = 0; i < batch; ++i) {
      vectors[i] = {buffers[i].data(), packet_octets};
      auto& header = messages[i].msg_hdr;
      header = {};
      header.msg_iov = &vectors[i];
      header.msg_iovlen = 1;
      header.msg_name = &senders[i];
      header.msg_namelen = sizeof senders[i];
      header.msg_control = controls[i].data();
      header.msg_controllen = controls[i].size();
    }
    const int got = ::recvmmsg(fd, messages.data(), batch, MSG_DONTWAIT, nullptr);
    if (got <= 0) return;
    for (int i = 0; i < got; ++i) {
      auto& message = messages[static_cast<std::size_t>(i)];
      const SystemTime when = time_of(message.msg_hdr, overrun_);
      if (!from.empty() && text_of(senders[static_cast<std::size_t>(i)]) != from) continue;
      on_packet({buffers[static_cast<std::size_t>(i)].data(), message.msg_len}, when);
    }
    if (got < static_cast<int>(batch)) return;
  }
}

void MediaSockets::send_rtcp(const std::string& to, int port, const std::vector<std::uint8_t>& packet) {
  Address at;
  if (rtcp_ < 0 || port <= 0 || !to_address(to, port, at)) return;
  // A report that gets lost is replaced by the next one.
  [[maybe_unused]] const auto sent = ::sendto(rtcp_, packet.data(), packet.size(), MSG_DONTWAIT,
                                              reinterpret_cast<sockaddr*>(&at.storage), at.length);
}

}  // namespace tallywire::stream
