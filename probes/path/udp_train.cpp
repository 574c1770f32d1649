#include "probes/path/udp_train.hpp"

#include <netinet/in.h>
#include <poll.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <time.h>

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <vector>

namespace tallywire::path {
namespace {

using Clock = std::chrono::steady_clock;
using namespace std::chrono_literals;

constexpr std::uint32_t most_at_once = 64;
constexpr double piece_ns = 500e3;
constexpr double latest_ns = 20e6;  // later than that is not made good
constexpr auto look = 50ms;

std::int64_t monotonic_ns() {
  timespec t{};
  ::clock_gettime(CLOCK_MONOTONIC, &t);
  return std::int64_t{t.tv_sec} * 1'000'000'000 + t.tv_nsec;
}

// Of this thread alone. A machine that is busy must not be taken for a path that is; where it is not allowed, it is not.
void hasten() {
  ::prctl(PR_SET_TIMERSLACK, 1UL);
  ::setpriority(PRIO_PROCESS, 0, -15);
}

void sleep_until(std::int64_t when_ns) {
  const timespec t{static_cast<time_t>(when_ns / 1'000'000'000), static_cast<long>(when_ns % 1'000'000'000)};
  while (::clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, nullptr) == EINTR) {
  }
}

// Packets of one trial, a slot each, with heads that are filled in as they go.
class Slots {
 public:
  Slots(const UdpToken& token, const TrainPlan& plan, std::size_t payload)
      : token_(token), plan_(plan), payload_(payload), octets_(payload * most_at_once), pieces_(most_at_once), heads_(most_at_once) {
    for (std::uint32_t i = 0; i < most_at_once; ++i) {
      pieces_[i] = {octets_.data() + payload_ * i, payload_};
      heads_[i].msg_hdr.msg_iov = &pieces_[i];
      heads_[i].msg_hdr.msg_iovlen = 1;
    }
  }
  // How many of them the socket took; -1 with errno.
  int send(int handle, std::uint32_t first, std::uint32_t count) {
    UdpPacket packet;
    packet.kind = UdpKind::train;
    packet.trial = plan_.trial;
    packet.packets = plan_.packets;
    packet.sent_ns = static_cast<std::uint64_t>(monotonic_ns());
    for (std::uint32_t i = 0; i < count; ++i) {
      packet.sequence = first + i;
      encode_udp_head(packet, token_, octets_.data() + payload_ * i);
    }
    return ::sendmmsg(handle, heads_.data(), count, MSG_DONTWAIT | MSG_NOSIGNAL);
  }

 private:
  const UdpToken& token_;
  const TrainPlan& plan_;
  const std::size_t payload_;
  std::vector<std::uint8_t> octets_;
  std::vector<iovec> pieces_;
  std::vector<mmsghdr> heads_;
};

}  // namespace

TrainSent send_train(UdpSocket& socket, const UdpToken& token, const TrainPlan& plan, const std::atomic<bool>& stop) {
  TrainSent out;
  if (plan.packet_bytes < socket.header_octets() + udp_head_octets || plan.packets == 0 || !(plan.gap_ns > 0)) {
    out.error = EINVAL;
    return out;
  }
  hasten();
  Slots slots(token, plan, plan.packet_bytes - socket.header_octets());
  const auto piece = static_cast<std::uint32_t>(std::clamp(piece_ns / plan.gap_ns, 1.0, double{most_at_once}));
  const auto begin = monotonic_ns();
  double next_ns = static_cast<double>(begin);
  while (out.packets < plan.packets && !stop) {
    sleep_until(static_cast<std::int64_t>(next_ns));
    const auto now = monotonic_ns();
    if (static_cast<double>(now) - next_ns > std::max(latest_ns, plan.gap_ns)) next_ns = static_cast<double>(now);
    const int sent = slots.send(socket.handle(), out.packets, std::min(piece, plan.packets - out.packets));
    if (sent > 0) {
      out.packets += static_cast<std::uint32_t>(sent);
      next_ns += sent * plan.gap_ns;
    } else if (errno == EAGAIN || errno == EWOULDBLOCK) {
      pollfd p{socket.handle(), POLLOUT, 0};
      ::poll(&p, 1, static_cast<int>(look.count()));
      out.blocked_s += static_cast<double>(monotonic_ns() - now) * 1e-9;
    } else if (errno != EINTR && errno != ENOBUFS) {
      out.error = errno;
      break;
    }
  }
  sleep_until(std::min(static_cast<std::int64_t>(next_ns), monotonic_ns() + 1'000'000'000));
  out.seconds = static_cast<double>(monotonic_ns() - begin) * 1e-9;
  return out;
}

TrainReceiver::TrainReceiver(UdpSocket& socket, const UdpToken& token, boost::asio::ip::address expected)
    : socket_(socket), token_(token), expected_(std::move(expected)), thread_([this] { run(); }) {}

TrainReceiver::~TrainReceiver() {
  ended_ = true;
  thread_.join();
}

void TrainReceiver::run() {
  hasten();
  const std::function<void(const UdpSocket::Arrival&)> taking = [this](const UdpSocket::Arrival& arrival) { take(arrival); };
  while (!ended_) socket_.receive(look, taking);
}

void TrainReceiver::take(const UdpSocket::Arrival& arrival) {
  const auto packet = decode_udp_packet(arrival.octets, token_);
  if (!packet || arrival.from.address() != expected_) return;
  if (packet->kind == UdpKind::heard) return;
  if (packet->kind != UdpKind::train) {
    UdpPacket answer = *packet;
    answer.kind = UdpKind::heard;
    socket_.send_to(arrival.from, answer, token_, 0);
    if (packet->kind != UdpKind::hello) return;
    const std::lock_guard lock(mutex_);
    if (!greeted_ && !socket_.connected() && !socket_.connect(arrival.from)) greeted_ = true;
    return;
  }
  const std::lock_guard lock(mutex_);
  if (packet->trial != trial_) {
    trial_ = packet->trial;
    dropped_before_ = socket_.dropped();
  }
  counter_.add(*packet, arrival.when_ns);
  last_arrival_ = Clock::now();
}

bool TrainReceiver::wait_for_hello(std::chrono::milliseconds limit, const std::atomic<bool>& stop) {
  for (const auto until = Clock::now() + limit; Clock::now() < until && !stop; std::this_thread::sleep_for(2ms)) {
    const std::lock_guard lock(mutex_);
    if (greeted_) return true;
  }
  return false;
}

TrainCount TrainReceiver::wait_for(std::uint16_t trial, std::chrono::milliseconds quiet, std::chrono::milliseconds limit,
                                   const std::atomic<bool>& stop) {
  const auto begin = Clock::now();
  for (;; std::this_thread::sleep_for(2ms)) {
    const auto now = Clock::now();
    const std::lock_guard lock(mutex_);
    const bool ours = trial_ == trial && trial != 0;
    auto count = ours ? counter_.count() : TrainCount();
    const auto quiet_since = ours ? std::max(begin, last_arrival_) : begin;
    const bool all = ours && count.received == count.packets;
    if (!all && now - quiet_since < quiet && now - begin < limit && !stop) continue;
    count.trial = trial;
    count.dropped_here = ours ? socket_.dropped() - dropped_before_ : 0;
    return count;
  }
}

}  // namespace tallywire::path
