#include "probes/path/far_end_asker.hpp"

#include "probes/deadline.hpp"
#include "probes/path/far_end_channel.hpp"
#include "probes/path/agreement.hpp"

#include <cstdio>

namespace tallywire::path {

namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

constexpr auto answer_limit = 5s;
constexpr auto slow_start = 500ms;

std::string method_of(double ceiling_bps, double skip_s) {
  char text[160];
  std::snprintf(text, sizeof text, "one TCP connection, receiver's count, first %.1f s left out, sent at no more than %.6g Mbit/s",
                skip_s, ceiling_bps / 1e6);
  return text;
}

}  // namespace

asio::awaitable<Outcome<ThroughputReport>> measure_throughput(FarEndAddress far_end, Direction direction,
                                                              std::chrono::milliseconds duration, double ceiling_bps,
                                                              PathProgress progress, Stop& stop) {
  const bool to = direction == Direction::to_far_end;
  nlohmann::json request = {{"do", "throughput"},
                            {"direction", to ? "to" : "from"},
                            {"duration_ms", duration.count()},
                            {"ceiling_bps", ceiling_bps}};
  auto agreed = co_await agree(std::move(far_end), std::move(request));
  if (!agreed) co_return agreed.error();
  auto channel = agreed->channel;
  const Stop::Subscription stopping(stop, [channel] { channel->cancel(); });
  const double total = std::chrono::duration<double>(duration).count();
  FarEndChannel::OnTime on_time = [&](double done) {
    if (progress) progress(done, total);
  };
  ThroughputReport out;
  out.direction = direction;
  if (to) {
    auto sent = co_await channel->send_bulk(duration, ceiling_bps, on_time);
    if (!sent) co_return sent.error();
    channel->read_kernel(out);
    auto count = co_await channel->receive(answer_limit + 10s);
    if (!count) co_return count.error();
    out.received_bytes = count->value("octets", 0.0);
    out.duration_s = count->value("seconds", 0.0);
  } else {
    auto came = co_await channel->receive_bulk(slow_start, duration + 15s, on_time);
    if (!came) co_return came.error();
    out.received_bytes = came->octets;
    out.duration_s = came->seconds;
    auto kernel = co_await channel->receive(answer_limit);
    if (!kernel) co_return kernel.error();
    for (auto [key, field] : {std::pair{"round_trip_ms", &out.round_trip_ms},
                              std::pair{"round_trip_min_ms", &out.round_trip_min_ms},
                              std::pair{"retransmitted_packets", &out.retransmitted_packets},
                              std::pair{"segment_bytes", &out.segment_bytes}}) {
      if (kernel->contains(key) && kernel->at(key).is_number())
        *field = kernel->at(key).get<double>();
      else
        out.unread[key] = "the far end's kernel does not tell";
    }
  }
  if (*out.duration_s > 0)
    out.goodput_bps = *out.received_bytes * 8 / *out.duration_s;
  else
    out.unread["goodput_bps"] = "it ran too short to be counted";
  out.method = method_of(ceiling_bps, std::chrono::duration<double>(slow_start).count());
  out.when = now_utc();
  co_return out;
}

asio::awaitable<Outcome<volume::VolumeReport>> measure_far_volume(FarEndAddress far_end, std::string path,
                                                                  std::chrono::milliseconds duration,
                                                                  int parallel_files, Stop& stop) {
  nlohmann::json request = {
      {"do", "volume"}, {"path", path}, {"duration_ms", duration.count()}, {"parallel_files", parallel_files}};
  auto agreed = co_await agree(std::move(far_end), std::move(request));
  if (!agreed) co_return agreed.error();
  auto channel = agreed->channel;
  const Stop::Subscription stopping(stop, [channel] { channel->cancel(); });
  // A slow volume may be in the middle of a long write when its time is up.
  auto answer = co_await channel->receive(duration + 30s);
  if (!answer) co_return answer.error();
  if (answer->contains("fault")) {
    Fault fault{FaultKind::system, answer->at("fault").get<std::string>(), path + " at " + channel->where(),
                answer->value("try_next", "")};
    co_return fault;
  }
  co_return volume::report_from_json(*answer);
}

}  // namespace tallywire::path
