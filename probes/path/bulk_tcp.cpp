#include "probes/path/bulk_tcp.hpp"

#include <poll.h>
#include <sys/socket.h>
#include <time.h>

#include <algorithm>
#include <cerrno>
#include <cstdint>
#include <cstring>
#include <fstream>
#include <optional>
#include <thread>
#include <vector>

namespace tallywire::path {
namespace {

using Clock = std::chrono::steady_clock;
using namespace std::chrono_literals;

constexpr std::size_t block_octets = 256 * 1024;
constexpr double segment_octets = 1448;
constexpr auto pace = 5ms;        // how finely a ceiling is kept
constexpr auto longest_debt = 50ms;  // what a sender that was held up may make good; the kernel spaces it out
constexpr auto look = 50ms;       // how often a wait looks whether it is to stop
constexpr auto sample_every = 20ms;
constexpr double beyond_pacing_bps = 40e9;  // where the timers of pacing would cost more than they hold back

double seconds_of(Clock::duration d) { return std::chrono::duration<double>(d).count(); }

// What this thread ran, and what it waited for a CPU; the latter where the kernel keeps it.
double thread_cpu_s() {
  timespec t{};
  ::clock_gettime(CLOCK_THREAD_CPUTIME_ID, &t);
  double ran_ns = 0, queued_ns = 0;
  std::ifstream kept("/proc/thread-self/schedstat");
  if (!(kept >> ran_ns >> queued_ns)) queued_ns = 0;
  return static_cast<double>(t.tv_sec) + (static_cast<double>(t.tv_nsec) + queued_ns) * 1e-9;
}

Fault broken(int error, const std::string& where) {
  return {FaultKind::unreachable, std::string("the connection broke: ") + std::strerror(error), where, "check the path, then repeat"};
}

Fault late(const char* what, const std::string& where) {
  return {FaultKind::timed_out, what, where, "check that the other end runs and its cable is whole, then repeat"};
}

// Waits until the socket is ready, or one look is over. The time waited is added.
void wait_for(int socket, short events, double& waited_s) {
  pollfd p{socket, events, 0};
  const auto begin = Clock::now();
  ::poll(&p, 1, static_cast<int>(look.count()));
  waited_s += seconds_of(Clock::now() - begin);
}

// A bucket that fills at the ceiling. Written is what one pace allows, or a segment where that is less (a tenth of a second's where
// even that is long in coming): whatever the moment allows would be a few octets a frame, and most of the wire headers.
class Bucket {
 public:
  Bucket(double ceiling_bps, Clock::time_point now) : octets_per_s_(ceiling_bps / 8), last_(now) {
    const double least = std::min(segment_octets, octets_per_s_ / 10);
    portion_ = std::clamp(std::max(octets_per_s_ * seconds_of(pace), least), 5.0, 4.0 + block_octets);
    most_ = std::max(portion_, octets_per_s_ * seconds_of(longest_debt));
    level_ = portion_;
  }
  // Octets that may be sent now; 0: not yet.
  std::size_t allows(Clock::time_point now) {
    if (octets_per_s_ <= 0) return 4 + block_octets;
    level_ = std::min(most_, level_ + octets_per_s_ * seconds_of(now - last_));
    last_ = now;
    return level_ < portion_ ? 0 : static_cast<std::size_t>(std::min(level_, 4.0 + block_octets));
  }
  void take(std::size_t octets) { level_ -= static_cast<double>(octets); }
  Clock::duration until_next() const {
    return std::chrono::duration_cast<Clock::duration>(std::chrono::duration<double>(std::clamp((portion_ - level_) / octets_per_s_, 1e-4, 0.05)));
  }

 private:
  double octets_per_s_, portion_ = 0, most_ = 0, level_ = 0;
  Clock::time_point last_;
};

class Sender {
 public:
  Sender(int socket, const BulkOrder& order, const std::atomic<bool>& stop, const BulkTick& tick)
      : socket_(socket), order_(order), stop_(stop), tick_(tick), block_(4 + block_octets, 0x5a), begin_(Clock::now()) {}

  Outcome<BulkSent> run();

 private:
  void begin_block(std::size_t length);
  std::optional<Fault> write_some(Clock::duration how_patient);
  void sample(Clock::time_point now);
  void finish(Clock::time_point now);

  const int socket_;
  const BulkOrder& order_;
  const std::atomic<bool>& stop_;
  const BulkTick& tick_;
  std::vector<std::uint8_t> block_;
  std::size_t at_ = 0, end_ = 0;  // of the block under way
  const Clock::time_point begin_;
  std::optional<Clock::time_point> counted_from_, stuck_since_;
  double waited_s_ = 0, held_s_ = 0, cpu_begin_ = 0;
  Clock::time_point next_sample_{}, next_tick_{};
  double round_trips_ = 0;
  int samples_ = 0;
  std::vector<double> deliveries_;
  BulkSent out_;
};

void Sender::begin_block(std::size_t length) {
  for (int i = 0; i < 4; ++i) block_[static_cast<std::size_t>(i)] = static_cast<std::uint8_t>(length >> (24 - 8 * i));
  at_ = 0;
  end_ = 4 + length;
}

std::optional<Fault> Sender::write_some(Clock::duration how_patient) {
  const auto sent = ::send(socket_, block_.data() + at_, end_ - at_, MSG_DONTWAIT | MSG_NOSIGNAL);
  if (sent >= 0) {
    at_ += static_cast<std::size_t>(sent);
    stuck_since_.reset();
    return std::nullopt;
  }
  if (errno == EINTR) return std::nullopt;
  if (errno != EAGAIN && errno != EWOULDBLOCK) return broken(errno, order_.where);
  const auto now = Clock::now();
  if (!stuck_since_) stuck_since_ = now;
  if (now - *stuck_since_ >= how_patient) return late("the other end takes nothing any more", order_.where);
  wait_for(socket_, POLLOUT, waited_s_);
  return std::nullopt;
}

void Sender::sample(Clock::time_point now) {
  if (now >= next_tick_) {
    next_tick_ = now + 100ms;
    if (tick_) tick_(seconds_of(now - begin_));
  }
  if (now < next_sample_) return;
  next_sample_ = now + sample_every;
  const auto counters = read_tcp_counters(socket_);
  if (!counters) return;
  if (!counted_from_) {
    if (now - begin_ < order_.skip) return;
    counted_from_ = now;
    waited_s_ = held_s_ = 0;
    cpu_begin_ = thread_cpu_s();
    out_.begin = *counters;
  }
  round_trips_ += counters->round_trip_ms;
  ++samples_;
  if (counters->delivery_bps && !counters->delivery_held_by_sender) deliveries_.push_back(*counters->delivery_bps);
  out_.offered_window_bytes = std::max(out_.offered_window_bytes, counters->offered_window_bytes.value_or(0));
}

void Sender::finish(Clock::time_point now) {
  if (const auto counters = read_tcp_counters(socket_)) out_.end = *counters;
  if (!counted_from_) return;
  out_.seconds = seconds_of(now - *counted_from_);
  out_.waited_s = waited_s_;
  out_.held_s = held_s_;
  out_.cpu_s = thread_cpu_s() - cpu_begin_;
  if (samples_ > 0) out_.mean_round_trip_ms = round_trips_ / samples_;
  if (deliveries_.empty()) return;
  const auto at = deliveries_.begin() + static_cast<std::ptrdiff_t>(deliveries_.size() * 9 / 10);
  std::nth_element(deliveries_.begin(), at, deliveries_.end());
  out_.delivery_bps = *at;
}

Outcome<BulkSent> Sender::run() {
  Bucket bucket(order_.ceiling_bps, begin_);
  if (order_.ceiling_bps > 0 && order_.ceiling_bps < beyond_pacing_bps) pace_socket(socket_, order_.ceiling_bps);
  for (;;) {
    const auto now = Clock::now();
    if (stop_ || now - begin_ >= order_.duration) break;
    sample(now);
    if (at_ == end_) {
      const auto allowed = bucket.allows(now);
      if (allowed == 0) {
        std::this_thread::sleep_for(bucket.until_next());
        held_s_ += seconds_of(Clock::now() - now);
        continue;
      }
      bucket.take(allowed);
      begin_block(std::max<std::size_t>(allowed, 5) - 4);
    }
    if (auto fault = write_some(order_.patience)) return *fault;
  }
  out_.stopped = stop_;
  finish(Clock::now());
  // The block under way, then the end mark: the receiver finds the frames that follow by them.
  const Clock::duration how_patient = out_.stopped ? Clock::duration(1s) : Clock::duration(order_.patience);
  for (const bool mark : {false, true}) {
    if (mark) begin_block(0);
    while (at_ < end_)
      if (auto fault = write_some(how_patient)) return *fault;
  }
  return out_;
}

// The heads of the blocks, wherever the pieces are cut.
class BlockCutter {
 public:
  enum class What { more, end, malformed };
  What take(const std::uint8_t* octets, std::size_t count) {
    for (std::size_t at = 0; at < count;) {
      if (left_ > 0) {
        const auto taken = std::min(left_, count - at);
        left_ -= taken;
        at += taken;
        continue;
      }
      length_ = length_ << 8 | octets[at++];
      if (++head_ < 4) continue;
      // The sender says nothing more until it was answered.
      if (length_ == 0) return at == count ? What::end : What::malformed;
      if (length_ > block_octets) return What::malformed;
      left_ = length_;
      length_ = 0;
      head_ = 0;
    }
    return What::more;
  }

 private:
  std::size_t left_ = 0, length_ = 0;
  int head_ = 0;
};

// Where counting begins: after `skip`, at a moment when TCP held back nothing for the sake of a hole, or what it then hands over at
// once would count as speed. It is the moment that lies highest above the mean rate: of a tenth of a second, or of a third of the
// whole where packets came out of order, since a slow start that overshoots can take a second to mend.
class StartFinder {
 public:
  StartFinder(const BulkOrder& order)
      : skip_s_(seconds_of(order.skip)), long_s_(std::max(short_s, seconds_of(order.duration - order.skip) / 3)) {}
  void add(int socket, double at_s, double total) {
    if (at_s < skip_s_ || at_s > skip_s_ + long_s_) return;
    if (moments_.empty()) cpu_begin_ = thread_cpu_s();
    if (!moments_.empty() && at_s - moments_.back().at_s < short_s / 50) return;
    moments_.push_back({at_s, total});
    if (looked_ || at_s < skip_s_ + short_s) return;
    looked_ = true;
    const auto counters = read_tcp_counters(socket);
    in_order_ = counters && counters->out_of_order_packets == 0.0;
  }
  void finish(double at_s, double total, BulkReceived& out) const {
    if (moments_.empty()) return;
    const auto& first = moments_.front();
    const double rate = at_s > first.at_s ? (total - first.total) / (at_s - first.at_s) : 0;
    const auto above = [rate](const Moment& m) { return m.total - rate * m.at_s; };
    const Moment* best = &first;
    for (const auto& m : moments_)
      if ((!in_order_ || m.at_s <= skip_s_ + short_s) && above(m) > above(*best)) best = &m;
    out.octets = total - best->total;
    out.seconds = at_s - best->at_s;
    // Its thread's time is counted from the first of them.
    if (at_s > first.at_s) out.cpu_s = (thread_cpu_s() - cpu_begin_) * out.seconds / (at_s - first.at_s);
  }

 private:
  struct Moment {
    double at_s, total;
  };
  static constexpr double short_s = 0.1;
  const double skip_s_, long_s_;
  std::vector<Moment> moments_;
  double cpu_begin_ = 0;
  bool looked_ = false, in_order_ = false;
};

}  // namespace

Outcome<BulkSent> send_bulk(int socket, const BulkOrder& order, const std::atomic<bool>& stop, const BulkTick& tick) {
  return Sender(socket, order, stop, tick).run();
}

Outcome<BulkReceived> receive_bulk(int socket, const BulkOrder& order, const std::atomic<bool>& stop, const BulkTick& tick) {
  std::vector<std::uint8_t> buffer(block_octets);
  BlockCutter cutter;
  StartFinder start(order);
  BulkReceived out;
  const auto begin = Clock::now(), deadline = begin + order.duration + order.grace;
  auto last = begin, next_tick = begin;
  double total = 0, waited_s = 0;
  while (!stop && !out.ended) {
    const auto count = ::recv(socket, buffer.data(), buffer.size(), MSG_DONTWAIT);
    const auto now = Clock::now();
    if (count < 0 && (errno == EAGAIN || errno == EWOULDBLOCK || errno == EINTR)) {
      if (now >= deadline || now - last >= order.patience) return late("the other end sends nothing any more", order.where);
      wait_for(socket, POLLIN, waited_s);
      continue;
    }
    if (count < 0) return broken(errno, order.where);
    if (count > 0 && now >= deadline) return late("the other end does not end what it sends", order.where);
    if (count == 0) return Fault{FaultKind::unreachable, "the other end closed the connection", order.where, "look in its log"};
    last = now;
    total += static_cast<double>(count);
    start.add(socket, seconds_of(now - begin), total);
    if (tick && now >= next_tick) {
      next_tick = now + 100ms;
      tick(seconds_of(now - begin));
    }
    const auto what = cutter.take(buffer.data(), static_cast<std::size_t>(count));
    if (what == BlockCutter::What::malformed)
      return Fault{FaultKind::malformed, "the other end sent a block of a length it may not have", order.where, ""};
    out.ended = what == BlockCutter::What::end;
  }
  start.finish(seconds_of(last - begin), total, out);
  return out;
}

}  // namespace tallywire::path
