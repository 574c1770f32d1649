#include "probes/path/udp_asker.hpp"

#include "probes/deadline.hpp"
#include "probes/path/tcp_method.hpp"
#include "probes/path/udp_session.hpp"
#include "probes/wire/far_end_handshake.hpp"

#include <nlohmann/json.hpp>
#include <openssl/rand.h>

#include <algorithm>
#include <cmath>

namespace tallywire::path {

namespace asio = boost::asio;
using nlohmann::json;
using Clock = std::chrono::steady_clock;
using namespace std::chrono_literals;

namespace {

constexpr auto answer_limit = 10s;

std::string random_salt() {
  std::array<std::uint8_t, 16> octets{};
  RAND_bytes(octets.data(), static_cast<int>(octets.size()));
  std::string out;
  for (const auto octet : octets) {
    out += "0123456789abcdef"[octet >> 4];
    out += "0123456789abcdef"[octet & 15];
  }
  return out;
}

Fault odd_answer(const std::string& where) {
  return {FaultKind::malformed, "the far end answered something that it should not", where, "use the same version at both ends"};
}

// The measurement under way. Its own thread blocks; what is asked of the far end is awaited.
class UdpConversation {
 public:
  UdpConversation(std::shared_ptr<FarEndChannel> channel, UdpRequest request, const UdpToken& token)
      : channel_(std::move(channel)), request_(request), session_(token, channel_->local_address(), channel_->peer_address()) {}
  ~UdpConversation() {
    session_.end();
    pool_.join();
  }
  UdpConversation(const UdpConversation&) = delete;
  UdpConversation& operator=(const UdpConversation&) = delete;

  asio::awaitable<Outcome<bool>> begin(std::uint16_t port);
  asio::awaitable<Outcome<PathMtu>> find_mtu();
  asio::awaitable<Outcome<Trial>> run(TrialOrder order, std::size_t packet_bytes);
  std::size_t header_octets() const { return session_.header_octets(); }
  void end() { session_.end(); }

 private:
  bool to() const { return request_.direction == Direction::to_far_end; }
  asio::awaitable<Outcome<json>> ask(json step, std::chrono::milliseconds limit);
  // Blocking work that cannot fail.
  template <class R>
  asio::awaitable<R> here(std::function<R()> work) {
    co_return co_await offload<R>(pool_, std::move(work));
  }

  std::shared_ptr<FarEndChannel> channel_;
  const UdpRequest request_;
  UdpSession session_;
  asio::thread_pool pool_{1};
  std::uint16_t trial_ = 0;
};

asio::awaitable<Outcome<json>> UdpConversation::ask(json step, std::chrono::milliseconds limit) {
  auto sent = co_await channel_->send(wire::encode_far_end_frame(step), answer_limit);
  if (!sent) co_return sent.error();
  co_return co_await channel_->receive(limit);
}

asio::awaitable<Outcome<bool>> UdpConversation::begin(std::uint16_t port) {
  std::function<Outcome<void>()> greeting = [this, port]() -> Outcome<void> {
    if (auto opened = session_.open(); !opened) return opened.error();
    auto greeted = session_.greet(port);
    if (greeted && !to()) session_.listen();
    return greeted;
  };
  auto greeted = co_await here<Outcome<void>>(std::move(greeting));
  if (!greeted) co_return greeted.error();
  json step = {{"step", to() ? "listen" : "speak"}, {"round_trip_ms", session_.round_trip().count()}};
  auto ready = co_await ask(std::move(step), answer_limit);
  if (!ready) co_return ready.error();
  const auto at = ready->find(to() ? "listening" : "speaking");
  if (at == ready->end() || *at != true) co_return odd_answer(channel_->where());
  co_return true;
}

asio::awaitable<Outcome<PathMtu>> UdpConversation::find_mtu() {
  std::optional<PathMtu> found;
  if (to()) {
    std::function<PathMtu()> search = [this] { return session_.find_mtu(); };
    found = co_await here<PathMtu>(std::move(search));
  } else {
    json step = {{"step", "mtu"}};
    auto answer = co_await ask(std::move(step), 60s);
    if (!answer) co_return answer.error();
    found = mtu_from_json(*answer);
  }
  if (!found) co_return odd_answer(channel_->where());
  co_return *found;
}

asio::awaitable<Outcome<Trial>> UdpConversation::run(TrialOrder order, std::size_t packet_bytes) {
  const double wire_bits = (static_cast<double>(packet_bytes) + frame_octets_beyond_ip) * 8;
  const double seconds = std::chrono::duration<double>(order.duration).count();
  TrainPlan plan;
  plan.trial = ++trial_;
  plan.gap_ns = wire_bits / order.rate_bps * 1e9;
  plan.packets = static_cast<std::uint32_t>(std::clamp(std::ceil(seconds * 1e9 / plan.gap_ns), 2.0, double{most_trial_packets}));
  plan.packet_bytes = packet_bytes;
  std::optional<TrainSent> sent;
  std::optional<TrainCount> count;
  if (to()) {
    std::function<TrainSent()> sending = [this, plan] { return session_.send(plan); };
    sent = co_await here<TrainSent>(std::move(sending));
    json step = {{"step", "count"}, {"trial", plan.trial}};
    auto answer = co_await ask(std::move(step), answer_limit);
    if (!answer) co_return answer.error();
    count = count_from_json(*answer);
  } else {
    json step = plan_to_json(plan);
    step["step"] = "train";
    auto answer = co_await ask(std::move(step), order.duration * 4 + answer_limit);
    if (!answer) co_return answer.error();
    sent = sent_from_json(*answer);
    std::function<TrainCount()> counting = [this, plan] { return session_.count(plan.trial); };
    count = co_await here<TrainCount>(std::move(counting));
  }
  if (!sent || !count) co_return odd_answer(channel_->where());
  Trial out;
  out.asked_bps = order.rate_bps;
  out.seconds = sent->seconds;
  out.blocked_s = sent->blocked_s;
  out.sent = sent->packets;
  out.received = count->received;
  out.dropped_here = count->dropped_here;
  out.delay_growth_ms = count->delay_growth_ms;
  if (sent->seconds > 0) out.sent_bps = sent->packets * wire_bits / sent->seconds;
  if (count->arrival_packets_per_s) out.arrival_bps = *count->arrival_packets_per_s * wire_bits;
  co_return out;
}

asio::awaitable<Outcome<CapacityReport>> search_capacity(UdpConversation& talk, UdpRequest request, std::size_t packet_bytes,
                                                         std::function<void(double, double)> progress, Stop& stop) {
  SearchSettings settings;
  settings.ceiling_bps = request.ceiling_bps;
  settings.packet_bytes = static_cast<double>(packet_bytes);
  settings.header_bytes = static_cast<double>(talk.header_octets());
  settings.limit = request.limit;
  CapacitySearch search(settings);
  const auto begin = Clock::now();
  const auto elapsed_s = [begin] { return std::chrono::duration<double>(Clock::now() - begin).count(); };
  while (!stop.requested()) {
    const auto order = search.next(elapsed_s());
    if (!order) break;
    if (progress) progress(elapsed_s(), std::chrono::duration<double>(request.limit).count());
    auto trial = co_await talk.run(*order, packet_bytes);
    if (stop.requested()) break;  // the trial was cut short
    if (!trial) co_return trial.error();
    search.take(*trial);
  }
  co_return search.report(elapsed_s());
}

}  // namespace

asio::awaitable<Outcome<UdpReport>> measure_udp(FarEndAddress far_end, UdpRequest request, std::function<void(double, double)> progress,
                                                Stop& stop) {
  const auto salt = random_salt();
  const auto token = udp_token(far_end.key, salt);
  json wanted = {{"do", "udp"}, {"salt", salt}, {"ceiling_bps", request.ceiling_bps}};
  auto agreed = co_await agree(std::move(far_end), std::move(wanted), &stop);
  if (!agreed) co_return agreed.error();
  auto channel = agreed->channel;
  const auto port = agreed->details.find("udp_port");
  if (port == agreed->details.end() || !port->is_number_unsigned()) co_return odd_answer(channel->where());
  UdpConversation talk(channel, request, token);
  const Stop::Subscription stopping(stop, [channel, &talk] {
    talk.end();
    channel->cancel();
  });
  UdpReport out;
  auto begun = co_await talk.begin(port->get<std::uint16_t>());
  if (!begun && begun.error().kind == FaultKind::timed_out) {
    out.blocked = begun.error().sentence();
    co_return out;
  }
  if (!begun) co_return begun.error();
  auto mtu = co_await talk.find_mtu();
  if (!mtu) co_return mtu.error();
  out.mtu = *mtu;
  if (!request.capacity) co_return out;
  const std::size_t packet_bytes = request.packet_bytes > 0 ? request.packet_bytes : out.mtu.bytes;
  if (packet_bytes == 0 || packet_bytes > out.mtu.bytes) {
    CapacityReport none;
    const std::string why = out.mtu.bytes == 0 ? "no packet of even the least size came through"
                                               : "packets of " + std::to_string(packet_bytes) + " octets are larger than the path's MTU of " +
                                                     std::to_string(out.mtu.bytes);
    for (const char* key : {"capacity_bps", "capacity_payload_bps", "capacity_packets_per_s"}) none.unread[key] = why;
    out.capacity = std::move(none);
    co_return out;
  }
  auto found = co_await search_capacity(talk, request, packet_bytes, std::move(progress), stop);
  if (!found) co_return found.error();
  out.capacity = std::move(*found);
  co_return out;
}

std::vector<Reading> to_readings(const CapacityReport& r, const std::string& subject, SystemTime when) {
  const auto why = r.unread.find("capacity_bps");
  if (!r.capacity_bps) return {unread(subject, "udp_capacity_bps", why == r.unread.end() ? "was not measured" : why->second, when)};
  const auto over = std::chrono::nanoseconds(static_cast<std::int64_t>(r.longest_trial_s * 1e9));
  return {read_number(subject, "udp_capacity_bps", *r.capacity_bps, r.method, when, over)};
}

}  // namespace tallywire::path
