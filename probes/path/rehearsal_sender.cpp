#include "probes/path/rehearsal_sender.hpp"

#include "probes/path/rehearsal_packets.hpp"

#include <arpa/inet.h>
#include <poll.h>
#include <pthread.h>
#include <sched.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cmath>
#include <cstring>
#include <ctime>
#include <queue>

namespace tallywire::path {
namespace {

constexpr std::int64_t ns_of_s = 1'000'000'000, ns_of_ms = 1'000'000;
// A wake-up for each packet would be 71,000 a second for 200 streams of 4 Mbit/s; packets that are due within this go together.
constexpr std::int64_t shortest_sleep_ns = 150'000;
constexpr std::int64_t longest_sleep_ns = 50 * ns_of_ms;  // a stop is heard after this at the latest
constexpr std::size_t most_at_once = 64;
constexpr std::int64_t held_limit_ns = 2 * ns_of_s;       // the own port takes nothing for so long: it is gone

std::int64_t monotonic_ns() {
  timespec now{};
  ::clock_gettime(CLOCK_MONOTONIC, &now);
  return now.tv_sec * ns_of_s + now.tv_nsec;
}

// Where the system lets it (root, CAP_SYS_NICE), other work on this machine does not come before it: what is late here would
// look like a path that bursts. It sleeps whenever nothing is due. Elsewhere its lateness is told, as it always is.
void hurry_this_thread() {
  ::prctl(PR_SET_TIMERSLACK, 1UL, 0UL, 0UL, 0UL);  // the usual 50 µs would be added to every wait
  const sched_param least{::sched_get_priority_min(SCHED_RR)};
  ::pthread_setschedparam(::pthread_self(), SCHED_RR, &least);
}

double cpu_s_of_thread() {
  rusage usage{};
  ::getrusage(RUSAGE_THREAD, &usage);
  const auto seconds = [](const timeval& t) { return static_cast<double>(t.tv_sec) + static_cast<double>(t.tv_usec) / 1e6; };
  return seconds(usage.ru_utime) + seconds(usage.ru_stime);
}

// How late frames were, in steps of 10 µs up to 1 s.
class LatenessLog {
 public:
  void add(std::int64_t late_ns) {
    most_ns_ = std::max(most_ns_, late_ns);
    ++counts_[static_cast<std::size_t>(std::clamp<std::int64_t>(late_ns / step_ns, 0, steps - 1))];
    ++all_;
    within_1_ms_ += late_ns <= ns_of_ms;
  }
  // The upper edge of the step in which the share is reached.
  double ms_of_share(double share) const {
    const auto wanted = static_cast<std::uint64_t>(std::ceil(share * static_cast<double>(all_)));
    std::uint64_t seen = 0;
    for (std::size_t i = 0; i < counts_.size(); ++i)
      if ((seen += counts_[i]) >= wanted) return std::min(static_cast<double>(i + 1) * step_ns, static_cast<double>(std::max<std::int64_t>(most_ns_, 0))) / 1e6;
    return 0;
  }
  double most_ms() const { return static_cast<double>(std::max<std::int64_t>(most_ns_, 0)) / 1e6; }
  double within_1_ms_ratio() const { return all_ == 0 ? 1 : static_cast<double>(within_1_ms_) / static_cast<double>(all_); }

 private:
  static constexpr std::int64_t step_ns = 10'000, steps = 100'000;
  std::vector<std::uint32_t> counts_ = std::vector<std::uint32_t>(static_cast<std::size_t>(steps));
  std::uint64_t all_ = 0, within_1_ms_ = 0;
  std::int64_t most_ns_ = 0;
};

class StepSender {
 public:
  StepSender(int fd, const RehearsalPlan& plan, const RehearsalStep& step, std::uint32_t first_ssrc)
      : fd_(fd), plan_(plan), step_(step), first_ssrc_(first_ssrc), noise_(rehearsal_packet_octets) {
    std::uint32_t word = 12345;
    for (auto& octet : noise_) octet = static_cast<std::uint8_t>(1 + ((word = word * 1664525 + 1013904223) >> 24) % 255);
    std::size_t units = 0;
    for (const auto& s : plan.streams) units = std::max(units, s.unit + 1);
    unit_free_ns_.assign(units, 0);
    states_.resize(plan.streams.size());
    report_.streams.resize(plan.streams.size());
    for (std::size_t i = 0; i < plan.streams.size(); ++i) {
      states_[i].sets = parameter_sets_of(plan.streams[i].width_px, plan.streams[i].height_px);
      states_[i].frame = frame_of(plan.streams[i], 0, step.scale);
      queue_.push({ns_of(states_[i].frame.at_s), i});
    }
    for (std::size_t i = 0; i < most_at_once; ++i) {
      messages_[i].msg_hdr.msg_iov = vectors_[i].data();
      messages_[i].msg_hdr.msg_iovlen = 2;
    }
  }

  Outcome<SendReport> run(const std::atomic<bool>& stop) {
    const double cpu_before = cpu_s_of_thread();
    begin_ns_ = monotonic_ns() + 2 * ns_of_ms;
    while (!queue_.empty() && !stop.load(std::memory_order_relaxed)) {
      const auto now = monotonic_ns() - begin_ns_;
      if (const auto due = queue_.top().due_ns; due > now) {
        sleep_until(begin_ns_ + std::min(std::max(due, now + shortest_sleep_ns), now + longest_sleep_ns));
        continue;
      }
      fill(now);
      if (auto fault = flush(stop)) return *fault;
    }
    report_.wall_s = static_cast<double>(monotonic_ns() - begin_ns_) / ns_of_s;
    report_.sent_s = queue_.empty() ? step_.seconds : std::min(step_.seconds, report_.wall_s);
    report_.cpu_s = cpu_s_of_thread() - cpu_before;
    report_.pacing_late_p99_ms = lateness_.ms_of_share(0.99);
    report_.pacing_late_most_ms = lateness_.most_ms();
    report_.frames_within_1_ms_ratio = lateness_.within_1_ms_ratio();
    return std::move(report_);
  }

 private:
  struct State {
    std::vector<std::uint8_t> sets;
    std::uint64_t frame_number = 0;
    MadeUpFrame frame;
    FrameCut cut;
    bool in_frame = false;
    std::uint16_t sequence = 0;
  };
  struct Due {
    std::int64_t due_ns = 0;
    std::size_t stream = 0;
    bool operator<(const Due& other) const { return due_ns > other.due_ns; }  // the earliest on top
  };
  struct Waiting {
    std::int64_t due_ns = 0;
    bool ends_frame = false;
  };

  static std::int64_t ns_of(double seconds) { return static_cast<std::int64_t>(seconds * ns_of_s); }

  static void sleep_until(std::int64_t ns) {
    const timespec until{ns / ns_of_s, ns % ns_of_s};
    ::clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, nullptr);
  }

  // Whatever is due by now, up to one call's worth.
  void fill(std::int64_t now) {
    filled_ = 0;
    while (filled_ < most_at_once && !queue_.empty() && queue_.top().due_ns <= now) {
      const auto next = queue_.top();
      queue_.pop();
      auto& state = states_[next.stream];
      const auto& stream = plan_.streams[next.stream];
      auto& free_ns = unit_free_ns_[stream.unit];
      if (!state.in_frame) {
        if (state.frame.at_s >= step_.seconds) continue;  // this stream has ended
        // The unit's link is busy with another stream's burst: this one comes behind it.
        if (free_ns > next.due_ns) {
          queue_.push({free_ns, next.stream});
          continue;
        }
        state.cut = FrameCut(state.frame, state.sets.size());
        state.in_frame = true;
        free_ns = next.due_ns + ns_of(wire_octets_of(state.frame, state.sets.size(), plan_.ipv6) * 8 / stream.link_bps);
      }
      put(next, state, stream);
    }
  }

  void put(const Due& due, State& state, const MadeUpStream& stream) {
    const auto piece = *state.cut.next();
    const double wire = rehearsal_wire_octets(piece.octets, plan_.ipv6);
    MadeUpPacket packet;
    packet.ssrc = first_ssrc_ + static_cast<std::uint32_t>(due.stream);
    packet.rtp_time = static_cast<std::uint32_t>(static_cast<std::uint64_t>(std::llround(state.frame.at_s * rehearsal_clock_hz)));
    packet.sequence = state.sequence++;
    packet.first = piece.first;
    packet.last = piece.last;
    packet.in_gop = state.frame.in_gop;
    packet.stamp = {static_cast<std::uint32_t>(due.due_ns / 1000), step_.number, state.frame.key};
    auto& head = heads_[filled_];
    auto& vectors = vectors_[filled_];
    if (piece.parameter_sets) {
      write_rtp_header(packet, false, head.data());
      vectors[0] = {head.data(), rtp_header_octets};
      vectors[1] = {state.sets.data(), state.sets.size()};
    } else {
      const auto length = write_head(packet, head);
      vectors[0] = {head.data(), length};
      vectors[1] = {noise_.data(), piece.octets + rtp_header_octets - length};
    }
    waiting_[filled_++] = {due.due_ns, piece.last};
    auto& sent = report_.streams[due.stream];
    ++sent.packets;
    sent.key_packets += state.frame.key;
    sent.payload_octets += static_cast<double>(piece.octets);
    sent.wire_octets += wire;
    if (!piece.last) {
      queue_.push({due.due_ns + ns_of(wire * 8 / stream.link_bps), due.stream});
      return;
    }
    ++sent.frames;
    state.in_frame = false;
    state.frame = frame_of(stream, ++state.frame_number, step_.scale);
    queue_.push({std::max(ns_of(state.frame.at_s), due.due_ns + 1), due.stream});
  }

  std::optional<Fault> flush(const std::atomic<bool>& stop) {
    std::size_t done = 0;
    const auto begun = monotonic_ns();
    while (done < filled_) {
      const int count = ::sendmmsg(fd_, messages_.data() + done, static_cast<unsigned>(filled_ - done), MSG_DONTWAIT);
      if (count > 0) {
        done += static_cast<std::size_t>(count);
        continue;
      }
      if (errno == EINTR) continue;
      if (errno != EAGAIN && errno != ENOBUFS)
        return Fault{FaultKind::unreachable, std::string("the made-up streams cannot be sent: ") + std::strerror(errno), "the far end's UDP port",
                     "check that tallywired still runs there and that no packet filter refuses its UDP ports"};
      ++report_.held_packets;
      if (stop.load(std::memory_order_relaxed)) return std::nullopt;
      if (monotonic_ns() - begun > held_limit_ns)
        return Fault{FaultKind::system, "this machine's own port has taken nothing for 2 s", "", "check its cable"};
      pollfd wait{fd_, POLLOUT, 0};
      ::poll(&wait, 1, 1);
    }
    const auto now = monotonic_ns() - begin_ns_;
    for (std::size_t i = 0; i < filled_; ++i)
      if (waiting_[i].ends_frame) lateness_.add(now - waiting_[i].due_ns);
    return std::nullopt;
  }

  int fd_;
  const RehearsalPlan& plan_;
  const RehearsalStep step_;
  std::uint32_t first_ssrc_;
  std::vector<std::uint8_t> noise_;
  std::vector<State> states_;
  std::vector<std::int64_t> unit_free_ns_;
  std::priority_queue<Due> queue_;
  std::array<mmsghdr, most_at_once> messages_{};
  std::array<std::array<iovec, 2>, most_at_once> vectors_{};
  std::array<std::array<std::uint8_t, made_up_header_octets>, most_at_once> heads_{};
  std::array<Waiting, most_at_once> waiting_{};
  std::size_t filled_ = 0;
  std::int64_t begin_ns_ = 0;
  LatenessLog lateness_;
  SendReport report_;
};

}  // namespace

RehearsalSocket& RehearsalSocket::operator=(RehearsalSocket&& other) noexcept {
  std::swap(fd_, other.fd_);
  return *this;
}

RehearsalSocket::~RehearsalSocket() {
  if (fd_ >= 0) ::close(fd_);
}

Outcome<RehearsalSocket> RehearsalSocket::to(const std::string& address, std::uint16_t udp_port) {
  sockaddr_in six_less{};
  sockaddr_in6 six{};
  const bool is_four = ::inet_pton(AF_INET, address.c_str(), &six_less.sin_addr) == 1;
  if (!is_four && ::inet_pton(AF_INET6, address.c_str(), &six.sin6_addr) != 1)
    return Fault{FaultKind::bad_request, "the host is no IP address", address, "give the address in numbers"};
  six_less.sin_family = AF_INET;
  six.sin6_family = AF_INET6;
  six_less.sin_port = six.sin6_port = htons(udp_port);
  RehearsalSocket out;
  out.fd_ = ::socket(is_four ? AF_INET : AF_INET6, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
  const auto* at = is_four ? reinterpret_cast<const sockaddr*>(&six_less) : reinterpret_cast<const sockaddr*>(&six);
  if (out.fd_ < 0 || ::connect(out.fd_, at, is_four ? sizeof six_less : sizeof six) != 0)
    return Fault{FaultKind::unreachable, std::string("the far end cannot be reached: ") + std::strerror(errno), address, "check the cable and the route"};
  // Room for bursts of many units; what does not fit waits here, late and told, instead of being dropped.
  const int room = 4 * 1024 * 1024;
  if (::setsockopt(out.fd_, SOL_SOCKET, SO_SNDBUFFORCE, &room, sizeof room) != 0) ::setsockopt(out.fd_, SOL_SOCKET, SO_SNDBUF, &room, sizeof room);
  return out;
}

Outcome<SendReport> send_rehearsal(const RehearsalSocket& socket, const RehearsalPlan& plan, const RehearsalStep& step, std::uint32_t first_ssrc,
                                   const std::atomic<bool>& stop) {
  hurry_this_thread();
  return StepSender(socket.fd(), plan, step, first_ssrc).run(stop);
}

}  // namespace tallywire::path
