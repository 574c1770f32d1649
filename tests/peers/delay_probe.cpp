// Measures delay to a far end as told by one JSON object on the input stream {address, tcp_port, key, seconds, packets_per_s,
// packet_octets, authenticated}; prints each tick as a line {"tick": …}, then {"report": …} or {"fault": …}. For the tests,
// which need what `tallywire path` does not show: the ticks, and delay without throughput.
#include "probes/path/delay_session.hpp"
#include "probes/reading.hpp"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <nlohmann/json.hpp>

#include <cmath>
#include <iostream>

using namespace tallywire;
using nlohmann::json;

namespace {

json or_null(double value) { return std::isnan(value) ? json() : json(value); }

void tell(const path::DelayTick& t) {
  const json tick = {{"sent", t.sent}, {"answered", t.answered}, {"lost", t.lost}, {"round_trip_min_ms", or_null(t.round_trip_min_ms)},
                     {"round_trip_recent_ms", or_null(t.round_trip_recent_ms)}};
  std::cout << json_line({{"tick", tick}}) << std::endl;
}

boost::asio::awaitable<void> measure(path::DelayRequest request, Stop& stop) {
  path::OnDelayTick on_tick = tell;
  auto report = co_await path::measure_delay(std::move(request), std::move(on_tick), stop);
  if (report)
    std::cout << json_line({{"report", json(*report)}}) << std::endl;
  else
    std::cout << json_line({{"fault", report.error().sentence()}}) << std::endl;
}

}  // namespace

int main() {
  const auto asked = json::parse(std::cin);
  path::DelayRequest request;
  request.far_end.address = asked.at("address");
  request.far_end.tcp_port = asked.value("tcp_port", request.far_end.tcp_port);
  request.far_end.key = asked.at("key");
  request.duration = std::chrono::milliseconds(static_cast<std::int64_t>(asked.value("seconds", 2.0) * 1000));
  request.packets_per_s = asked.value("packets_per_s", 50.0);
  request.packet_octets = asked.value("packet_octets", 0);
  request.authenticated = asked.value("authenticated", true);
  boost::asio::io_context context(1);
  Stop stop;
  boost::asio::co_spawn(context, measure(std::move(request), stop), [](std::exception_ptr failure) {
    if (failure) std::rethrow_exception(failure);
  });
  context.run();
}
