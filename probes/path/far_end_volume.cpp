#include "probes/path/far_end_work.hpp"

#include "probes/deadline.hpp"
#include "probes/volume/volume.hpp"
#include "probes/wire/far_end_handshake.hpp"

#include <boost/asio/post.hpp>

#include <algorithm>

namespace tallywire::path {

namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

// Shared with the pool's thread, which may outlive the conversation by the write that it is in.
struct Measuring {
  std::atomic<bool> stop{false}, done{false};
  std::optional<Outcome<volume::VolumeReport>> report;  // the pool's until `done`
};

struct StopsWithMe {
  Measuring& measuring;
  ~StopsWithMe() { measuring.stop = true; }
};

}  // namespace

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
  order.kept_free_ratio = std::clamp(request.value("kept_free_ratio", order.kept_free_ratio), 0.0, 1.0);
  const auto measuring = std::make_shared<Measuring>();
  const StopsWithMe guard{*measuring};
  asio::post(place.blocking, [measuring, order] {
    try {
      measuring->report = volume::measure_volume(order, measuring->stop, {});
    } catch (const std::exception& error) {
      measuring->report = Outcome<volume::VolumeReport>(Fault{FaultKind::system, error.what(), order.path, "look in this service's log"});
    }
    measuring->done = true;
  });
  // The asker says nothing until it has its answer: whatever is heard of it means that it hung up. Then nobody wants the load.
  bool listens = true;
  while (!measuring->done) {
    if (place.stopped || !listens) measuring->stop = true;
    if (!listens) {
      co_await pause_for(50ms);
      continue;
    }
    auto heard = co_await channel->receive(100ms);
    listens = !heard && heard.error().kind == FaultKind::timed_out;
  }
  nlohmann::json answer;
  if (*measuring->report)
    answer = **measuring->report;
  else
    answer = {{"fault", measuring->report->error().what}, {"try_next", measuring->report->error().try_next}};
  co_await channel->send(wire::encode_far_end_frame(answer), handshake_limit);
}

}  // namespace tallywire::path
