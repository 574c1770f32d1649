// The answer of `path`.
#include "daemon/round/ask_parts.hpp"
#include "daemon/round/asks_delay.hpp"
#include "probes/path/far_end_asker.hpp"

namespace tallywire::round {

namespace asio = boost::asio;
using nlohmann::json;

namespace {

constexpr double default_ceiling_bps = 100e9;  // more than any link of a site: as good as none

}  // namespace

asio::awaitable<AskAnswer> Asks::path(json arguments, AskProgress progress, Stop& stop) {
  if (asks_plain_reflector(arguments)) {
    auto delay = answer_plain_delay(std::move(arguments), secrets_, std::move(progress), stop);
    co_return co_await std::move(delay);
  }
  const auto secret = word(arguments, "key");
  const auto key = secrets_.key(secret);
  if (!key) co_return failed(no_secret(secret));
  const double port = number(arguments, "tcp_port", 7861), seconds = number(arguments, "seconds", 5);
  if (port_is_wrong(port)) co_return failed({FaultKind::bad_request, "there is no such TCP port", "", "1 to 65535"});
  if (const auto wrong = check_seconds(seconds)) co_return failed(*wrong);
  const double ceiling = number(arguments, "ceiling_mbps", default_ceiling_bps / 1e6) * 1e6;
  if (!(ceiling > 0)) co_return failed({FaultKind::bad_request, "the ceiling must be more than 0", "", ""});
  json answer;
  auto delay = add_delay(arguments, *key, answer, progress, stop);
  const auto no_delay = co_await std::move(delay);
  if (no_delay) co_return failed(*no_delay);
  for (const auto direction : {path::Direction::to_far_end, path::Direction::from_far_end}) {
    const char* name = direction == path::Direction::to_far_end ? "to" : "from";
    path::FarEndAddress far_end{word(arguments, "host"), static_cast<std::uint16_t>(port), *key};
    path::PathProgress on_time = [&, name](double done, double) {
      const double before = direction == path::Direction::to_far_end ? 0 : seconds;
      if (progress) progress(before + done, 2 * seconds, std::string("measuring ") + name + " the far end");
    };
    auto report = co_await path::measure_throughput(std::move(far_end), direction, milliseconds_of(seconds), ceiling,
                                                    std::move(on_time), stop);
    if (!report) co_return failed(report.error());
    path::apply_method(*report, std::nullopt, std::nullopt);
    answer[name] = *report;
    if (stop.requested()) break;
  }
  co_return read(std::move(answer));
}

}  // namespace tallywire::round
