#include "probes/path/far_end_work.hpp"

#include "probes/deadline.hpp"
#include "probes/wire/far_end_handshake.hpp"

namespace tallywire::path {

namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

constexpr auto slow_start = 500ms;

}  // namespace

asio::awaitable<void> serve_throughput(FarEndPlace, std::shared_ptr<FarEndChannel> channel, nlohmann::json request) {
  const auto duration = std::chrono::milliseconds(request.value("duration_ms", 0));
  const double ceiling = request.value("ceiling_bps", 0.0);
  if (duration <= 0ms || duration > longest_measurement || !(ceiling > 0)) {
    co_await channel->send(wire::far_end_refused("a duration of up to 10 minutes and a ceiling are needed"), handshake_limit);
    co_return;
  }
  auto sent = co_await channel->send(wire::far_end_accepted(), handshake_limit);
  if (!sent) co_return;
  const FarEndChannel::OnTime nobody;
  nlohmann::json answer;
  if (request.value("direction", "") == "to") {
    auto came = co_await channel->receive_bulk(slow_start, duration + 15s, nobody);
    if (!came) co_return;
    answer = {{"octets", came->octets}, {"seconds", came->seconds}};
  } else {
    auto done = co_await channel->send_bulk(duration, ceiling, nobody);
    if (!done) co_return;
    ThroughputReport kernel;
    channel->read_kernel(kernel);
    answer = kernel;
  }
  co_await channel->send(wire::encode_far_end_frame(answer), handshake_limit);
}

}  // namespace tallywire::path
