// The receiving side of a rehearsal.
//
//   asker   -> {"step": N}
//   far end -> {"ready": N}, then {"seen": packets} each 100 ms until the asker says {"end": true}
//   far end -> {"streams": […]} some at a time, then {"done": N, …}
#include "probes/path/far_end_work.hpp"

#include "probes/deadline.hpp"
#include "probes/path/rehearsal_plan.hpp"
#include "probes/path/rehearsal_receiver.hpp"
#include "probes/wire/far_end_handshake.hpp"

#include <algorithm>

namespace tallywire::path {

namespace asio = boost::asio;
using nlohmann::json;
using namespace std::chrono_literals;

namespace {

constexpr auto beat = 100ms;
constexpr auto settle = 250ms;            // for what is still under way when the asker has sent its last
constexpr auto between_steps_limit = 60s;
constexpr std::size_t streams_of_a_frame = 32;  // some 300 octets each, of 16 KiB

asio::awaitable<Outcome<bool>> tell(FarEndChannel& channel, json body) {
  co_return co_await channel.send(wire::encode_far_end_frame(body), handshake_limit);
}

// False when the asker is gone, or says nothing in ten minutes.
asio::awaitable<bool> receive_step(FarEndPlace place, FarEndChannel& channel, RehearsalReceiver& receiver) {
  const auto deadline = std::chrono::steady_clock::now() + longest_measurement;
  while (!place.stopped && std::chrono::steady_clock::now() < deadline) {
    auto heard = co_await channel.receive(beat);
    if (heard) co_return heard->contains("end");
    if (heard.error().kind != FaultKind::timed_out) co_return false;
    json seen = {{"seen", receiver.packets()}};
    auto told = co_await tell(channel, std::move(seen));
    if (!told) co_return false;
  }
  co_return false;
}

asio::awaitable<bool> report_step(FarEndPlace place, FarEndChannel& channel, std::shared_ptr<RehearsalReceiver> receiver, json number) {
  if (!co_await pause_for(settle)) co_return false;
  std::function<RehearsalReceived()> reckon = [receiver] { return receiver->report(); };
  auto report = co_await offload<RehearsalReceived>(place.blocking, std::move(reckon));
  for (std::size_t at = 0; at < report.streams.size(); at += streams_of_a_frame) {
    json streams = json::array();
    for (std::size_t i = at; i < std::min(report.streams.size(), at + streams_of_a_frame); ++i) streams.push_back(report.streams[i]);
    json some = {{"streams", std::move(streams)}};
    auto told = co_await tell(channel, std::move(some));
    if (!told) co_return false;
  }
  json done = {{"done", std::move(number)},
               {"own_dropped", report.own_dropped_packets},
               {"foreign", report.foreign_packets},
               {"busiest_bps", report.busiest_bps}};
  auto told = co_await tell(channel, std::move(done));
  co_return told.has_value();
}

}  // namespace

asio::awaitable<void> serve_rehearsal(FarEndPlace place, std::shared_ptr<FarEndChannel> channel, json request) {
  const auto whole = [&request](const char* key) {
    const auto at = request.find(key);
    return at != request.end() && at->is_number_unsigned() ? at->get<std::uint64_t>() : std::uint64_t{0};
  };
  const auto streams = whole("streams");
  if (streams < 1 || streams > most_rehearsed_streams) {
    co_await channel->send(wire::far_end_refused("1 to 2000 streams can be rehearsed"), handshake_limit);
    co_return;
  }
  auto opened = RehearsalReceiver::open(channel->local_address().to_string(), channel->peer_address().to_string(), streams,
                                        static_cast<std::uint32_t>(whole("first_ssrc")));
  if (!opened) {
    co_await channel->send(wire::far_end_refused(opened.error().what), handshake_limit);
    co_return;
  }
  std::shared_ptr<RehearsalReceiver> receiver = std::move(*opened);
  json details = {{"udp_port", receiver->udp_port()}, {"buffer_octets", receiver->buffer_octets()}};
  auto told = co_await channel->send(wire::far_end_accepted(std::move(details)), handshake_limit);
  if (!told) co_return;
  while (!place.stopped) {
    auto order = co_await channel->receive(between_steps_limit);
    if (!order || !order->contains("step") || !order->at("step").is_number_unsigned()) co_return;
    receiver->begin(static_cast<std::uint8_t>(order->at("step").get<unsigned>()));
    json ready = {{"ready", order->at("step")}};
    told = co_await tell(*channel, std::move(ready));
    if (!told) co_return;
    if (!co_await receive_step(place, *channel, *receiver)) co_return;
    if (!co_await report_step(place, *channel, receiver, order->at("step"))) co_return;
  }
}

}  // namespace tallywire::path
