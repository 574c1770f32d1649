#include "probes/path/stamp_sender.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

namespace tallywire::path {

namespace {

constexpr std::int64_t ns_of_ms = 1'000'000, ns_of_second = 1'000'000'000;
constexpr std::int64_t tick_ns = 100 * ns_of_ms;
constexpr std::int64_t counts_as_lost_ns = ns_of_second;   // in a tick
constexpr std::int64_t doubles_wait_ns = 200 * ns_of_ms;   // after the last answer, for its doubles
constexpr std::int64_t longest_lag_ns = 100 * ns_of_ms;    // of a packet in this machine; more is a stamp of another packet
constexpr int most_at_once = 1024;
constexpr double nothing = std::numeric_limits<double>::quiet_NaN();

std::uint32_t packets_of(const StampSenderSettings& s) {
  return static_cast<std::uint32_t>(std::ceil(std::chrono::duration<double>(s.duration).count() * s.packets_per_s));
}

double median_of(std::vector<double>& values) {
  if (values.empty()) return nothing;
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

}  // namespace

Outcome<std::unique_ptr<StampSender>> StampSender::open(StampSenderSettings settings) {
  const auto any = settings.reflector.protocol();
  auto socket = StampSocket::open({any, 0}, settings.reflector);
  if (!socket) return socket.error();
  std::unique_ptr<StampSender> out(new StampSender(std::move(settings), std::move(*socket)));
  return out;
}

StampSender::StampSender(StampSenderSettings settings, StampSocket socket)
    : settings_(std::move(settings)),
      socket_(std::move(socket)),
      log_({settings_.mode, settings_.key, settings_.session_id, settings_.packet_octets, packets_of(settings_)}),
      interval_ns_(static_cast<std::int64_t>(1e9 / settings_.packets_per_s)),
      min_ms_(nothing) {
  run_.clock = read_clock_quality();
  estimate_ = wire::error_estimate_of(run_.clock.uncertainty_ms / 1000, run_.clock.synchronised);
  tick_.round_trip_min_ms = tick_.round_trip_recent_ms = nothing;
  begin_ns_ = next_ns_ = last_sent_ns_ = last_new_ns_ = told_ns_ = clock_.now().own_ns;
  thread_ = std::thread([this] { run(); });
}

StampSender::~StampSender() {
  stop();
  if (thread_.joinable()) thread_.join();
}

void StampSender::stop() {
  stopped_ = true;
  waker_.wake();
}

DelayTick StampSender::tick() const {
  const std::lock_guard lock(telling_);
  return tick_;
}

StampRun StampSender::finish() {
  if (thread_.joinable()) thread_.join();
  run_.sent = log_.sent();
  run_.arrivals = log_.arrivals();
  run_.ignored = log_.ignored();
  run_.clock_moved_ns = clock_.moved_ns();
  run_.clock = worse_of(run_.clock, read_clock_quality());
  run_.sending_s = static_cast<double>(last_sent_ns_ - begin_ns_) / 1e9;
  return std::move(run_);
}

void StampSender::run() {
  for (auto now = clock_.now().own_ns; !stopped_ && goes_on(now); now = clock_.now().own_ns) {
    if (sending_ && now >= next_ns_) send_due(now);
    if (now - told_ns_ >= tick_ns) tell(now);
    const auto until = std::min(sending_ ? next_ns_ : now + tick_ns, told_ns_ + tick_ns);
    wait_for_packet(socket_, waker_, until - clock_.now().own_ns);
    drain();
    note_left();
  }
  tell(clock_.now().own_ns);
  ended_ = true;
}

// Ends when all have been answered and their doubles have had their time, or when the wait for the last ones is over.
bool StampSender::goes_on(std::int64_t now_ns) {
  const auto wait_ns = std::chrono::nanoseconds(answer_wait).count();
  const bool unanswered_host = !settings_.has_agreed && log_.arrivals().empty();
  if (unanswered_host && log_.sent().size() >= unagreed_packets) {
    if (now_ns - last_sent_ns_ < wait_ns) return true;
    run_.gave_up = true;
    return false;
  }
  if (sending_) return true;
  if (log_.answered_packets() == log_.sent().size()) return now_ns - std::max(last_new_ns_, last_sent_ns_) < doubles_wait_ns;
  return now_ns - last_sent_ns_ < wait_ns;
}

void StampSender::send_due(std::int64_t now_ns) {
  const bool unanswered_host = !settings_.has_agreed && log_.arrivals().empty();
  if (unanswered_host && log_.sent().size() >= unagreed_packets) {
    next_ns_ = now_ns + tick_ns;
    return;
  }
  if (now_ns - begin_ns_ >= settings_.duration.count()) {
    sending_ = false;
    return;
  }
  const auto at = clock_.now();
  const auto packet = log_.next(at.unix_ns, at.own_ns, estimate_);
  if (!packet) {
    sending_ = false;
    return;
  }
  if (!socket_.send(*packet)) ++run_.unsent_packets;
  last_sent_ns_ = at.own_ns;
  // Counted from when it had left, so that one that was held up is not followed sooner.
  if (unanswered_host) {
    const auto slowest = static_cast<std::int64_t>(1e9 / unagreed_packets_per_s);
    next_ns_ = clock_.now().own_ns + std::max(interval_ns_, slowest);
    return;
  }
  // A thread that was held up does not catch up in a burst: that would measure the burst.
  next_ns_ = now_ns - next_ns_ > interval_ns_ ? now_ns + interval_ns_ : next_ns_ + interval_ns_;
}

void StampSender::drain() {
  StampSocket::Datagram datagram;
  for (int i = 0; i < most_at_once; ++i) {
    const auto came = socket_.receive(datagram);
    if (came == StampSocket::Came::nothing) break;
    if (came == StampSocket::Came::refused) {
      ++run_.refused;
      continue;
    }
    const auto now = clock_.now();
    const bool stamped = datagram.received_unix_ns != 0;
    if (!stamped) ++run_.unstamped_packets;
    const auto own_ns = stamped ? clock_.own_of(datagram.received_unix_ns) : now.own_ns;
    note_left();  // the packet's own time of leaving comes before its answer
    const auto took = log_.take(datagram.octets, stamped ? datagram.received_unix_ns : now.unix_ns, own_ns, datagram.ttl);
    if (took != wire::StampLog::Took::answer) continue;
    last_new_ns_ = own_ns;
    const auto& arrival = log_.arrivals().back();
    if (arrival.sequence_number < looked_for_lost_) --lost_;
    const double ms = round_trip_ms(arrival);
    if (!(min_ms_ <= ms)) min_ms_ = ms;
    recent_ms_.push_back(ms);
  }
}

void StampSender::note_left() {
  while (const auto left = socket_.next_left()) {
    // A packet that the kernel refused is counted by it or not, so from the first one on its count is no longer trusted.
    if (run_.unsent_packets > 0 || run_.refused > 0 || left->count >= log_.sent().size()) continue;
    const auto lag = clock_.own_of(left->unix_ns) - log_.sent()[left->count].sent_ns;
    if (lag >= 0 && lag < longest_lag_ns) log_.left(left->count, lag);
  }
}

double StampSender::round_trip_ms(const wire::StampArrival& a) const {
  const auto inside = a.reflector_sent_unix_ns - a.reflector_received_unix_ns;
  return static_cast<double>(a.received_ns - log_.sent()[a.sequence_number].sent_ns - inside) / ns_of_ms;
}

void StampSender::tell(std::int64_t now_ns) {
  const auto& sent = log_.sent();
  for (; looked_for_lost_ < sent.size() && now_ns - sent[looked_for_lost_].sent_ns >= counts_as_lost_ns; ++looked_for_lost_)
    if (!sent[looked_for_lost_].answered) ++lost_;
  const DelayTick tick{sent.size(), log_.answered_packets(), lost_, min_ms_, median_of(recent_ms_)};
  recent_ms_.clear();
  told_ns_ = now_ns;
  const std::lock_guard lock(telling_);
  tick_ = tick;
}

}  // namespace tallywire::path
