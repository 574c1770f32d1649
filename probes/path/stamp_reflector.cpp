#include "probes/path/stamp_reflector.hpp"

#include "probes/path/clock_quality.hpp"
#include "probes/path/far_end_channel.hpp"

#include <algorithm>

namespace tallywire::path {

namespace asio = boost::asio;

namespace {

constexpr std::int64_t longest_wait_ns = 100'000'000;
constexpr std::int64_t clock_look_ns = 1'000'000'000;
constexpr std::int64_t longest_lag_ns = 100'000'000;  // more is a stamp of another answer
constexpr int most_at_once = 256;  // so that a flood does not keep the thread from seeing its end

}  // namespace

Outcome<std::unique_ptr<StampReflector>> StampReflector::open(StampReflectorSettings settings) {
  settings.local = plain_address(settings.local);
  for (auto& asker : settings.askers) asker = plain_address(asker);
  auto socket = StampSocket::open({settings.local, settings.udp_port}, std::nullopt);
  if (!socket) return socket.error();
  std::unique_ptr<StampReflector> out(new StampReflector(std::move(settings), std::move(*socket)));
  return out;
}

StampReflector::StampReflector(StampReflectorSettings settings, StampSocket socket)
    : settings_(std::move(settings)), socket_(std::move(socket)), reflection_(settings_.session) {
  look_at_clock();
  thread_ = std::thread([this] { run(); });
}

StampReflectorCounts StampReflector::end() {
  stopped_ = true;
  waker_.wake();
  if (thread_.joinable()) thread_.join();
  counts_.received_packets = reflection_.received_packets();
  counts_.duplicate_packets = reflection_.duplicate_packets();
  counts_.reflected_packets = reflection_.reflected_packets() - counts_.unsent_packets;
  counts_.clock_moved_ns = clock_.moved_ns();
  counts_.ignored = reflection_.ignored();
  return counts_;
}

void StampReflector::look_at_clock() {
  const auto quality = read_clock_quality();
  estimate_ = wire::error_estimate_of(quality.uncertainty_ms / 1000, quality.synchronised);
  looked_at_ns_ = clock_.now().own_ns;
}

void StampReflector::run() {
  while (!stopped_) {
    wait_for_packet(socket_, waker_, longest_wait_ns);
    drain();
    if (clock_.now().own_ns - looked_at_ns_ >= clock_look_ns) look_at_clock();
  }
  drain();
}

void StampReflector::drain() {
  StampSocket::Datagram datagram;
  for (int i = 0; i < most_at_once; ++i) {
    const auto came = socket_.receive(datagram);
    if (came == StampSocket::Came::nothing) break;
    if (came == StampSocket::Came::datagram) take(datagram);
  }
  note_left();
}

// Unread, they would keep poll(2) from waiting.
void StampReflector::note_left() {
  for (int i = 0; i < most_at_once; ++i) {
    const auto left = socket_.next_left();
    if (!left) break;
    if (left->count >= sent_unix_ns_.size()) continue;
    const auto lag = left->unix_ns - sent_unix_ns_[left->count];
    if (lag >= 0 && lag < longest_lag_ns) counts_.lags_100ns[left->count] = static_cast<std::int32_t>((lag + 50) / 100);
  }
}

void StampReflector::take(const StampSocket::Datagram& datagram) {
  const auto from = plain_address(datagram.from.address());
  if (std::find(settings_.askers.begin(), settings_.askers.end(), from) == settings_.askers.end()) {
    ++counts_.foreign_packets;
    return;
  }
  const auto now = clock_.now();
  if (datagram.received_unix_ns == 0) ++counts_.unstamped_packets;
  const auto received = datagram.received_unix_ns != 0 ? datagram.received_unix_ns : now.unix_ns;
  const auto answer = reflection_.answer(datagram.octets, received, datagram.ttl, now.unix_ns, estimate_);
  if (!answer) return;
  if (!socket_.send(*answer, &datagram.from)) ++counts_.unsent_packets;
  if (counts_.unsent_packets > 0 || sent_unix_ns_.size() >= most_lags) return;
  sent_unix_ns_.push_back(now.unix_ns);
  counts_.lags_100ns.push_back(-1);
  note_left();
}

}  // namespace tallywire::path
