#include "probes/path/far_end_asker.hpp"

#include "probes/deadline.hpp"
#include "probes/path/far_end_channel.hpp"
#include "probes/path/agreement.hpp"
#include "probes/path/tcp_method.hpp"
#include "probes/wire/far_end_handshake.hpp"

#include <algorithm>
#include <cstdio>

namespace tallywire::path {

namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

constexpr auto answer_limit = 5s;
constexpr auto slow_start = 500ms;
constexpr int exchanges = 20;             // on the idle connection
constexpr auto longest_exchanging = 1s;

std::string method_of(std::chrono::milliseconds skip, double ceiling_bps) {
  char text[160];
  std::snprintf(text, sizeof text, "one TCP connection, receiver's count, first %.1f s left out, sent at no more than %.6g Mbit/s",
                std::chrono::duration<double>(skip).count(), ceiling_bps / 1e6);
  return text;
}

// The least round trip of an idle connection: of small exchanges, and of the kernel's own samples of them (RFC 6349 §3.2.1).
asio::awaitable<Outcome<double>> find_base_round_trip(std::shared_ptr<FarEndChannel> channel) {
  const auto begin = std::chrono::steady_clock::now();
  std::vector<double> samples;
  for (int i = 0; i < exchanges; ++i) {
    const auto asked = std::chrono::steady_clock::now();
    if (i > 0 && asked - begin > longest_exchanging) break;
    nlohmann::json frame = {{"echo", i}};
    auto sent = co_await channel->send(wire::encode_far_end_frame(frame), answer_limit);
    if (!sent) co_return sent.error();
    auto answer = co_await channel->receive(answer_limit);
    if (!answer) co_return answer.error();
    samples.push_back(std::chrono::duration<double>(std::chrono::steady_clock::now() - asked).count());
  }
  const auto counters = channel->counters();
  if (counters && counters->round_trip_min_ms) samples.push_back(*counters->round_trip_min_ms / 1e3);
  co_return base_round_trip_s(samples) * 1e3;
}

asio::awaitable<Outcome<bool>> send_to_far_end(std::shared_ptr<FarEndChannel> channel, BulkOrder order, FarEndChannel::OnTime on_time,
                                               ThroughputReport& out) {
  auto go = co_await channel->receive(answer_limit);
  if (!go) co_return go.error();
  auto sent = co_await channel->send_bulk(std::move(order), std::move(on_time));
  if (!sent) co_return sent.error();
  auto count = co_await channel->receive(sent->stopped ? 2s : answer_limit + 10s);
  if (!count) co_return count.error();
  std::optional<double> cpu_s;
  for (auto [key, field] : {std::pair{"octets", &out.received_bytes}, std::pair{"seconds", &out.duration_s}, std::pair{"cpu_s", &cpu_s}})
    if (count->contains(key) && count->at(key).is_number()) *field = count->at(key).get<double>();
  if (cpu_s && out.duration_s > 0.0) out.receiver_cpu_ratio = std::min(1.0, *cpu_s / *out.duration_s);
  take_sender(out, *sent, channel->counters());
  out.congestion_control = channel->congestion_control();
  co_return true;
}

asio::awaitable<Outcome<bool>> receive_from_far_end(std::shared_ptr<FarEndChannel> channel, BulkOrder order, FarEndChannel::OnTime on_time,
                                                    ThroughputReport& out) {
  auto came = co_await channel->receive_bulk(std::move(order), std::move(on_time));
  if (!came) co_return came.error();
  out.received_bytes = came->octets;
  out.duration_s = came->seconds;
  if (came->seconds > 0) out.receiver_cpu_ratio = std::min(1.0, came->cpu_s / came->seconds);
  nlohmann::json kernel = nlohmann::json::object();
  if (came->ended) {
    nlohmann::json counted = {{"counted", true}};
    auto told = co_await channel->send(wire::encode_far_end_frame(counted), answer_limit);
    if (!told) co_return told.error();
    auto answer = co_await channel->receive(answer_limit);
    if (!answer) co_return answer.error();
    kernel = std::move(*answer);
  }
  take_sender(out, kernel);
  co_return true;
}

}  // namespace

asio::awaitable<Outcome<ThroughputReport>> measure_throughput(FarEndAddress far_end, Direction direction,
                                                              std::chrono::milliseconds duration, double ceiling_bps,
                                                              PathProgress progress, Stop& stop, std::chrono::milliseconds patience) {
  const bool to = direction == Direction::to_far_end;
  BulkOrder order;
  order.duration = duration;
  order.skip = slow_start;
  order.ceiling_bps = ceiling_bps;
  order.patience = patience;
  nlohmann::json request = {{"do", "throughput"},
                            {"direction", to ? "to" : "from"},
                            {"duration_ms", duration.count()},
                            {"skip_ms", order.skip.count()},
                            {"ceiling_bps", ceiling_bps}};
  auto agreed = co_await agree(std::move(far_end), std::move(request), &stop);
  if (!agreed) co_return agreed.error();
  auto channel = agreed->channel;
  const Stop::Subscription stopping(stop, [channel] { channel->cancel(); });
  ThroughputReport out;
  out.direction = direction;
  out.ceiling_bps = ceiling_bps;
  auto base = co_await find_base_round_trip(channel);
  if (!base) co_return base.error();
  nlohmann::json begin = {{"begin", true}};
  auto told = co_await channel->send(wire::encode_far_end_frame(begin), answer_limit);
  if (!told) co_return told.error();
  FarEndChannel::OnTime on_time = [progress, total = std::chrono::duration<double>(duration).count()](double done) {
    if (progress) progress(done, total);
  };
  Outcome<bool> measured = false;
  if (to)
    measured = co_await send_to_far_end(channel, std::move(order), std::move(on_time), out);
  else
    measured = co_await receive_from_far_end(channel, std::move(order), std::move(on_time), out);
  if (!measured) co_return measured.error();
  // The sender's kernel may have seen a still shorter one.
  out.base_round_trip_ms = std::min(*base, out.round_trip_min_ms.value_or(*base));
  if (out.duration_s && out.received_bytes && *out.duration_s > 0)
    out.goodput_bps = *out.received_bytes * 8 / *out.duration_s;
  else
    out.unread["goodput_bps"] = "it ran too short to be counted";
  out.method = method_of(slow_start, ceiling_bps);
  out.when = now_utc();
  co_return out;
}

asio::awaitable<Outcome<volume::VolumeReport>> measure_far_volume(FarEndAddress far_end, std::string path,
                                                                  std::chrono::milliseconds duration,
                                                                  int parallel_files, Stop& stop, double kept_free_ratio) {
  nlohmann::json request = {
      {"do", "volume"}, {"path", path}, {"duration_ms", duration.count()}, {"parallel_files", parallel_files},
      {"kept_free_ratio", kept_free_ratio}};
  auto agreed = co_await agree(std::move(far_end), std::move(request), &stop);
  if (!agreed) co_return agreed.error();
  auto channel = agreed->channel;
  const Stop::Subscription stopping(stop, [channel] { channel->cancel(); });
  // A slow volume may be in the middle of a long write when its time is up.
  auto answer = co_await channel->receive(duration + 30s);
  if (!answer) co_return answer.error();
  const auto told = [&answer](const char* key) {
    const auto at = answer->find(key);
    return at != answer->end() && at->is_string() ? at->get<std::string>() : std::string();
  };
  if (answer->contains("fault")) {
    Fault fault{FaultKind::system, told("fault"), path + " at " + channel->where(), told("try_next")};
    co_return fault;
  }
  co_return volume::report_from_json(*answer);
}

}  // namespace tallywire::path
