#include "probes/path/far_end_work.hpp"

#include "probes/deadline.hpp"
#include "probes/volume/volume.hpp"
#include "probes/wire/far_end_handshake.hpp"

#include <algorithm>

namespace tallywire::path {

namespace asio = boost::asio;
using namespace std::chrono_literals;

asio::awaitable<void> serve_volume(FarEndPlace place, std::shared_ptr<FarEndChannel> channel, nlohmann::json request) {
  const auto path = request.value("path", "");
  // Asked for by the path of the design or by its name here; only what the settings list is ever written to.
  const auto named = std::find_if(place.settings.volumes.begin(), place.settings.volumes.end(),
                                  [&](const auto& v) { return v.first == path || v.second == path; });
  const auto duration = std::chrono::milliseconds(request.value("duration_ms", 0));
  if (named == place.settings.volumes.end() || duration <= 0ms || duration > longest_measurement) {
    co_await channel->send(wire::far_end_refused("its settings name no volume “" + path + "”"), handshake_limit);
    co_return;
  }
  auto sent = co_await channel->send(wire::far_end_accepted(), handshake_limit);
  if (!sent) co_return;
  volume::VolumeRequest order;
  order.path = named->second;
  order.duration = duration;
  order.parallel_files = std::clamp(request.value("parallel_files", 4), 1, 64);
  std::function<Outcome<volume::VolumeReport>()> measure = [place, order] {
    return volume::measure_volume(order, place.stopped, {});
  };
  auto report = co_await offload<Outcome<volume::VolumeReport>>(place.blocking, std::move(measure));
  nlohmann::json answer;
  if (report)
    answer = *report;
  else
    answer = {{"fault", report.error().what}, {"try_next", report.error().try_next}};
  co_await channel->send(wire::encode_far_end_frame(answer), handshake_limit);
}

}  // namespace tallywire::path
