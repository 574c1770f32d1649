#include "daemon/round/held_tap.hpp"

#include "probes/deadline.hpp"

#include <algorithm>
#include <memory>

namespace tallywire::round {

namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

using Live = std::shared_ptr<tap::LiveTap>;

}  // namespace

asio::awaitable<Outcome<tap::TapReport>> hold_tap_for(TapRequest request, asio::thread_pool& blocking, TapProgress progress, Stop& stop) {
  std::function<Outcome<Live>()> open = [&request]() -> Outcome<Live> {
    auto opened = tap::LiveTap::open(request.interface, request.settings, request.threads);
    if (!opened) return opened.error();
    return Live(std::move(*opened));
  };
  auto opened = co_await offload<Outcome<Live>>(blocking, std::move(open));
  if (!opened) co_return opened.error();
  Live live = std::move(*opened);
  const auto begin = std::chrono::steady_clock::now();
  const auto end = begin + request.duration;
  const double total_s = std::chrono::duration<double>(request.duration).count();
  auto told = begin - 1s;
  std::size_t streams = 0;
  for (auto now = begin; now < end && !stop.requested(); now = std::chrono::steady_clock::now()) {
    if (now - told >= 1s) {
      told = now;
      std::function<std::size_t()> count = [live] { return live->streams(); };
      streams = co_await offload<std::size_t>(blocking, std::move(count));
    }
    const auto away = live->away();
    const std::string text = away ? "waiting: " + *away
                                  : "metering what passes " + request.interface + ", " + std::to_string(streams) + (streams == 1 ? " stream" : " streams");
    progress(std::chrono::duration<double>(now - begin).count(), total_s, text);
    const auto left = std::chrono::duration_cast<std::chrono::milliseconds>(end - std::chrono::steady_clock::now());
    co_await pause_for(std::clamp<std::chrono::milliseconds>(left, 1ms, 100ms));
  }
  const bool stopped = std::chrono::steady_clock::now() < end;
  // Ending joins the capture threads.
  std::function<tap::TapReport()> take = [&live] {
    auto report = live->report();
    live.reset();
    return report;
  };
  auto report = co_await offload<tap::TapReport>(blocking, std::move(take));
  report.capture.stopped = stopped;
  co_return report;
}

}  // namespace tallywire::round
