#include "probes/path/far_end_work.hpp"

#include "probes/deadline.hpp"
#include "probes/path/throughput.hpp"
#include "probes/wire/far_end_handshake.hpp"

namespace tallywire::path {

namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

constexpr int most_echoes = 1000;

// Small exchanges on the idle connection, until the asker says that the bulk begins.
asio::awaitable<bool> echo_until_begin(std::shared_ptr<FarEndChannel> channel) {
  for (int i = 0; i < most_echoes; ++i) {
    auto said = co_await channel->receive(handshake_limit);
    if (!said) co_return false;
    if (said->contains("begin")) co_return true;
    auto sent = co_await channel->send(wire::encode_far_end_frame(*said), handshake_limit);
    if (!sent) co_return false;
  }
  co_return false;
}

asio::awaitable<void> take_bulk(std::shared_ptr<FarEndChannel> channel, BulkOrder order) {
  nlohmann::json answer = {{"go", true}};
  auto sent = co_await channel->send(wire::encode_far_end_frame(answer), handshake_limit);
  if (!sent) co_return;
  FarEndChannel::OnTime nobody;
  auto came = co_await channel->receive_bulk(std::move(order), std::move(nobody));
  if (!came || !came->ended) co_return;
  answer = {{"octets", came->octets}, {"seconds", came->seconds}, {"cpu_s", came->cpu_s}};
  co_await channel->send(wire::encode_far_end_frame(answer), handshake_limit);
}

asio::awaitable<void> give_bulk(std::shared_ptr<FarEndChannel> channel, BulkOrder order) {
  FarEndChannel::OnTime nobody;
  auto done = co_await channel->send_bulk(std::move(order), std::move(nobody));
  if (!done || done->stopped) co_return;  // stopped: this far end ends
  // Only once all came, the kernel has counted all that it sent again.
  auto counted = co_await channel->receive(handshake_limit + 15s);
  if (!counted) co_return;
  ThroughputReport sender;
  take_sender(sender, *done, channel->counters());
  sender.congestion_control = channel->congestion_control();
  nlohmann::json answer = sender;
  co_await channel->send(wire::encode_far_end_frame(answer), handshake_limit);
}

}  // namespace

asio::awaitable<void> serve_throughput(FarEndPlace, std::shared_ptr<FarEndChannel> channel, nlohmann::json request) {
  BulkOrder order;
  order.duration = std::chrono::milliseconds(request.value("duration_ms", 0));
  order.skip = std::chrono::milliseconds(request.value("skip_ms", 0));
  order.ceiling_bps = request.value("ceiling_bps", 0.0);
  if (order.duration <= 0ms || order.duration > longest_measurement || order.skip < 0ms || !(order.ceiling_bps > 0)) {
    co_await channel->send(wire::far_end_refused("a duration of up to 10 minutes and a ceiling are needed"), handshake_limit);
    co_return;
  }
  auto sent = co_await channel->send(wire::far_end_accepted(), handshake_limit);
  if (!sent) co_return;
  auto echoed = co_await echo_until_begin(channel);
  if (!echoed) co_return;
  if (request.value("direction", "") == "to")
    co_await take_bulk(channel, std::move(order));
  else
    co_await give_bulk(channel, std::move(order));
}

}  // namespace tallywire::path
