#include "probes/path/stamp_socket.hpp"

#include <linux/errqueue.h>
#include <linux/net_tstamp.h>
#include <netinet/in.h>
#include <poll.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <sys/uio.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstring>
#include <ctime>
#include <stdexcept>
#include <system_error>
#include <utility>

namespace tallywire::path {

namespace asio = boost::asio;

namespace {

constexpr std::int64_t ns_of_second = 1'000'000'000;
constexpr int ttl_sent = 255;  // RFC 5357 §4.1.2: so that the reflector's TTL tells how many routers lie between
constexpr int socket_buffer_octets = 1 << 20;

std::int64_t ns_of(const timespec& time) { return static_cast<std::int64_t>(time.tv_sec) * ns_of_second + time.tv_nsec; }

std::int64_t read_clock(clockid_t clock) {
  timespec time{};
  clock_gettime(clock, &time);
  return ns_of(time);
}

Fault socket_fault(const char* what, const asio::ip::udp::endpoint& at) {
  return {FaultKind::system, std::string(what) + ": " + std::strerror(errno), at.address().to_string() + ":" + std::to_string(at.port()),
          "check that the address is this machine's and the port is free"};
}

void set_option(int fd, int level, int name, int value) { setsockopt(fd, level, name, &value, sizeof value); }

void set_options(int fd, bool v6) {
  set_option(fd, SOL_SOCKET, SO_RCVBUF, socket_buffer_octets);
  set_option(fd, SOL_SOCKET, SO_TIMESTAMPING,
             SOF_TIMESTAMPING_SOFTWARE | SOF_TIMESTAMPING_RX_SOFTWARE | SOF_TIMESTAMPING_TX_SOFTWARE | SOF_TIMESTAMPING_OPT_ID |
                 SOF_TIMESTAMPING_OPT_TSONLY);
  if (v6) {
    set_option(fd, IPPROTO_IPV6, IPV6_RECVHOPLIMIT, 1);
    set_option(fd, IPPROTO_IPV6, IPV6_UNICAST_HOPS, ttl_sent);
  }
  // An IPv6 socket that also takes IPv4 heeds these too; one that does not refuses them.
  set_option(fd, IPPROTO_IP, IP_RECVTTL, 1);
  set_option(fd, IPPROTO_IP, IP_TTL, ttl_sent);
}

struct Ancillary {
  std::int64_t software_ns = 0;
  int ttl = 0;
  std::optional<std::uint32_t> sent_count;
};

Ancillary read_ancillary(msghdr& message) {
  Ancillary out;
  for (auto* at = CMSG_FIRSTHDR(&message); at != nullptr; at = CMSG_NXTHDR(&message, at)) {
    if (at->cmsg_level == SOL_SOCKET && at->cmsg_type == SCM_TIMESTAMPING) {
      scm_timestamping stamps{};
      std::memcpy(&stamps, CMSG_DATA(at), std::min(sizeof stamps, at->cmsg_len - CMSG_LEN(0)));
      out.software_ns = ns_of({static_cast<time_t>(stamps.ts[0].tv_sec), static_cast<long>(stamps.ts[0].tv_nsec)});
    }
    const bool ttl = (at->cmsg_level == IPPROTO_IP && at->cmsg_type == IP_TTL) || (at->cmsg_level == IPPROTO_IPV6 && at->cmsg_type == IPV6_HOPLIMIT);
    if (ttl) std::memcpy(&out.ttl, CMSG_DATA(at), sizeof out.ttl);
    const bool error = (at->cmsg_level == IPPROTO_IP && at->cmsg_type == IP_RECVERR) || (at->cmsg_level == IPPROTO_IPV6 && at->cmsg_type == IPV6_RECVERR);
    if (error) {
      sock_extended_err told{};
      std::memcpy(&told, CMSG_DATA(at), sizeof told);
      if (told.ee_origin == SO_EE_ORIGIN_TIMESTAMPING) out.sent_count = told.ee_data;
    }
  }
  return out;
}

constexpr std::size_t ancillary_octets = 512;

}  // namespace

StampClock::StampClock() : offset_ns_(0) {
  const auto first = now();
  offset_ns_ = first.unix_ns - first.own_ns;
}

// A thread that loses its core between two looks would take the time away for a difference of the clocks.
StampNow StampClock::now() const {
  constexpr std::int64_t together_ns = 2'000;
  std::int64_t before = 0, unix_ns = 0, after = 0;
  for (int i = 0; i < 5; ++i) {
    before = read_clock(CLOCK_MONOTONIC);
    unix_ns = read_clock(CLOCK_REALTIME);
    after = read_clock(CLOCK_MONOTONIC);
    if (after - before < together_ns) break;
  }
  return {unix_ns, before + (after - before) / 2 + offset_ns_};
}

std::int64_t StampClock::own_of(std::int64_t unix_ns) const {
  const auto at = now();
  return at.own_ns - (at.unix_ns - unix_ns);
}

std::int64_t StampClock::moved_ns() const {
  const auto at = now();
  return at.unix_ns - at.own_ns;
}

Outcome<StampSocket> StampSocket::open(asio::ip::udp::endpoint local, std::optional<asio::ip::udp::endpoint> peer) {
  const bool v6 = local.address().is_v6();
  const int fd = ::socket(v6 ? AF_INET6 : AF_INET, SOCK_DGRAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
  if (fd < 0) return socket_fault("no UDP socket could be opened", local);
  StampSocket out(fd);
  set_options(fd, v6);
  if (::bind(fd, local.data(), static_cast<socklen_t>(local.size())) != 0) return socket_fault("the UDP socket could not be bound", local);
  if (peer && ::connect(fd, peer->data(), static_cast<socklen_t>(peer->size())) != 0) {
    Fault fault = socket_fault("there is no way to the host", *peer);
    fault.kind = FaultKind::unreachable;
    fault.try_next = "check this machine's addresses and routes";
    return fault;
  }
  return out;
}

StampSocket::StampSocket(StampSocket&& other) noexcept : fd_(std::exchange(other.fd_, -1)), buffer_(std::move(other.buffer_)) {}

StampSocket& StampSocket::operator=(StampSocket&& other) noexcept {
  std::swap(fd_, other.fd_);
  std::swap(buffer_, other.buffer_);
  return *this;
}

StampSocket::~StampSocket() {
  if (fd_ >= 0) ::close(fd_);
}

std::uint16_t StampSocket::port() const {
  asio::ip::udp::endpoint at;
  socklen_t length = static_cast<socklen_t>(at.capacity());
  if (::getsockname(fd_, at.data(), &length) != 0) return 0;
  return at.port();
}

StampSocket::Came StampSocket::receive(Datagram& out) {
  alignas(cmsghdr) std::array<char, ancillary_octets> ancillary;
  iovec piece{buffer_.data(), buffer_.size()};
  msghdr message{};
  message.msg_name = out.from.data();
  message.msg_namelen = static_cast<socklen_t>(out.from.capacity());
  message.msg_iov = &piece;
  message.msg_iovlen = 1;
  message.msg_control = ancillary.data();
  message.msg_controllen = ancillary.size();
  const auto got = ::recvmsg(fd_, &message, 0);
  if (got < 0) return errno == ECONNREFUSED ? Came::refused : Came::nothing;
  out.octets = wire::Octets(buffer_).first(static_cast<std::size_t>(got));
  const auto told = read_ancillary(message);
  out.received_unix_ns = told.software_ns;
  out.ttl = static_cast<std::uint8_t>(std::clamp(told.ttl, 0, 255));
  return Came::datagram;
}

bool StampSocket::send(wire::Octets octets, const asio::ip::udp::endpoint* to) {
  const auto attempt = [&] {
    const auto sent = to != nullptr ? ::sendto(fd_, octets.data(), octets.size(), 0, to->data(), static_cast<socklen_t>(to->size()))
                                    : ::send(fd_, octets.data(), octets.size(), 0);
    return sent == static_cast<ssize_t>(octets.size());
  };
  // The first attempt may only fetch the ICMP error of an earlier packet.
  return attempt() || (errno == ECONNREFUSED && attempt());
}

std::optional<StampSocket::Left> StampSocket::next_left() {
  alignas(cmsghdr) std::array<char, ancillary_octets> ancillary;
  std::array<char, 64> none;
  for (int i = 0; i < 64; ++i) {
    iovec piece{none.data(), none.size()};
    msghdr message{};
    message.msg_iov = &piece;
    message.msg_iovlen = 1;
    message.msg_control = ancillary.data();
    message.msg_controllen = ancillary.size();
    if (::recvmsg(fd_, &message, MSG_ERRQUEUE | MSG_DONTWAIT) < 0) return std::nullopt;
    const auto told = read_ancillary(message);
    if (told.sent_count && told.software_ns > 0) return Left{*told.sent_count, told.software_ns};
  }
  return std::nullopt;
}

Waker::Waker() : fd_(::eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK)) {
  if (fd_ < 0) throw std::system_error(errno, std::generic_category(), "eventfd");
}

Waker::~Waker() { ::close(fd_); }

void Waker::wake() {
  const std::uint64_t one = 1;
  static_cast<void>(!::write(fd_, &one, sizeof one));
}

void wait_for_packet(const StampSocket& socket, const Waker& waker, std::int64_t at_most_ns) {
  std::array<pollfd, 2> watched{pollfd{socket.descriptor(), POLLIN, 0}, pollfd{waker.descriptor(), POLLIN, 0}};
  const auto ns = std::max<std::int64_t>(at_most_ns, 0);
  const timespec limit{static_cast<time_t>(ns / ns_of_second), static_cast<long>(ns % ns_of_second)};
  ::ppoll(watched.data(), watched.size(), &limit, nullptr);
}

}  // namespace tallywire::path
