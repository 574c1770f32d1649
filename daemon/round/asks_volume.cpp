// The answer of `volume`.
#include "daemon/round/ask_parts.hpp"
#include "probes/deadline.hpp"
#include "probes/volume/volume.hpp"

namespace tallywire::round {

namespace asio = boost::asio;
using nlohmann::json;

asio::awaitable<AskAnswer> Asks::volume(json arguments, AskProgress progress, Stop& stop) {
  volume::VolumeRequest request;
  request.path = word(arguments, "path");
  const double seconds = number(arguments, "seconds", 10);
  if (const auto wrong = check_seconds(seconds)) co_return failed(*wrong);
  request.duration = milliseconds_of(seconds);
  request.parallel_files = static_cast<int>(number(arguments, "files", 4));
  auto executor = co_await asio::this_coro::executor;
  // The measurement runs on the pool; its progress is told on the network thread.
  volume::VolumeProgress on_time = [progress, executor](double done, double total) {
    if (!progress) return;
    asio::post(executor, [progress, done, total] { progress(done, total, "writing to the volume"); });
  };
  std::function<Outcome<volume::VolumeReport>()> measure = [request, &stop, on_time] {
    return volume::measure_volume(request, stop.flag(), on_time);
  };
  auto report = co_await offload<Outcome<volume::VolumeReport>>(blocking_, std::move(measure));
  if (!report) co_return failed(report.error());
  json answer = *report;
  co_return read(std::move(answer));
}

}  // namespace tallywire::round
