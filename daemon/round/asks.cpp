#include "daemon/round/asks.hpp"

#include "daemon/round/access.hpp"
#include "daemon/round/ask_parts.hpp"
#include "daemon/round/held_tap.hpp"
#include "daemon/round/tap_answer.hpp"
#include "probes/deadline.hpp"
#include "probes/path/far_end_asker.hpp"
#include "probes/stream/receiver.hpp"
#include "probes/volume/volume.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <memory>
#include <set>

namespace tallywire::round {

namespace asio = boost::asio;
using nlohmann::json;
using namespace std::chrono_literals;

namespace {

constexpr double default_ceiling_bps = 10e9;

// Seconds that a person may ask for.
std::optional<Fault> check_seconds(double seconds) {
  if (seconds > 0 && seconds <= 86'400) return std::nullopt;
  return Fault{FaultKind::bad_request, "the number of seconds must be more than 0 and at most 86400", "", ""};
}

// A wrong type must not pass for an argument that was left out.
std::optional<Fault> check_types(const json& arguments) {
  static const std::set<std::string> words = {"url", "transport", "rtsp_version", "login", "interface", "address", "snmp", "host", "key", "path"};
  static const std::set<std::string> numbers = {"seconds", "threads", "udp_port", "tcp_port", "ceiling_mbps", "files"};
  static const std::set<std::string> truths = {"allow_basic", "cable_test"};
  for (const auto& [key, value] : arguments.items()) {
    const bool number = numbers.contains(key), truth = truths.contains(key);
    if (!number && !truth && !words.contains(key))
      return Fault{FaultKind::bad_request, "there is no argument “" + key + "”", "", "see docs/commands.md"};
    const bool right = number  ? value.is_number() && std::isfinite(value.get<double>())
                       : truth ? value.is_boolean()
                               : value.is_string();
    const char* kind = number ? "a number" : truth ? "true or false" : "text";
    if (!right) return Fault{FaultKind::bad_request, "“" + key + "” must be " + kind, "", ""};
  }
  return std::nullopt;
}

}  // namespace

bool Asks::knows(const std::string& command) {
  return command == "stream" || command == "tap" || command == "link" || command == "switch" || command == "path" || command == "volume";
}

asio::awaitable<AskAnswer> Asks::carry_out(std::string command, json arguments, AskProgress progress, Stop& stop) {
  if (const auto wrong = check_types(arguments)) co_return failed(*wrong);
  AskAnswer out = failed({FaultKind::bad_request, "nothing answers to “" + command + "”", "", ""});
  if (command == "stream") out = co_await stream(std::move(arguments), std::move(progress), stop);
  if (command == "tap") out = co_await tap(std::move(arguments), std::move(progress), stop);
  if (command == "link") out = co_await link(std::move(arguments), std::move(progress), stop);
  if (command == "switch") out = co_await look_at_switch(std::move(arguments), std::move(progress), stop);
  if (command == "path") out = co_await path(std::move(arguments), std::move(progress), stop);
  if (command == "volume") out = co_await volume(std::move(arguments), std::move(progress), stop);
  co_return out;
}

asio::awaitable<AskAnswer> Asks::stream(json arguments, AskProgress progress, Stop& stop) {
  stream::StreamRequest request;
  request.url = word(arguments, "url");
  const double seconds = number(arguments, "seconds", 10);
  if (const auto wrong = check_seconds(seconds)) co_return failed(*wrong);
  request.duration = milliseconds_of(seconds);
  const auto transport = stream::transport_of(word(arguments, "transport", "auto"));
  if (!transport) {
    Fault fault{FaultKind::bad_request, "there is no transport “" + word(arguments, "transport") + "”", "", "tcp, udp, multicast or auto"};
    co_return failed(fault);
  }
  request.transport = *transport;
  const auto version = stream::version_of(word(arguments, "rtsp_version", "auto"));
  if (!version) {
    Fault fault{FaultKind::bad_request, "there is no RTSP version “" + word(arguments, "rtsp_version") + "”", "", "1.0, 2.0 or auto"};
    co_return failed(fault);
  }
  request.version = *version;
  request.allow_basic = arguments.value("allow_basic", false);
  const auto login = word(arguments, "login");
  if (!login.empty()) {
    request.login = login_of(secrets_, login);
    if (!request.login) co_return failed(no_secret(login));
  }
  stream::StreamProgress on_time = [progress](double done, double total) {
    if (progress) progress(done, total, "metering the stream");
  };
  auto received = co_await stream::receive_stream(std::move(request), std::move(on_time), stop);
  if (received.fault && received.fault->kind == FaultKind::bad_request) co_return failed(*received.fault);
  json answer = received.report;
  if (received.fault)
    answer["error"] = failed(*received.fault).answer.at("error");
  co_return read(std::move(answer), stream::is_whole(received.report));
}

asio::awaitable<AskAnswer> Asks::tap(json arguments, AskProgress progress, Stop& stop) {
  TapRequest request;
  request.interface = word(arguments, "interface");
  if (request.interface.empty())
    co_return failed({FaultKind::bad_request, "which interface is to be tapped?", "", "name it as “interface”; the names: ip link"});
  const double seconds = number(arguments, "seconds", 10), threads = number(arguments, "threads", 0);
  if (const auto wrong = check_seconds(seconds)) co_return failed(*wrong);
  if (threads < 0 || threads > tap::LiveTap::most_threads || threads != std::floor(threads))
    co_return failed({FaultKind::bad_request, "the number of threads must be a whole number from 0 (by the cores) to 16", "", ""});
  request.duration = milliseconds_of(seconds);
  request.threads = static_cast<int>(threads);
  if (design_) request.settings.units = units_of(*design_);
  TapProgress on_time = [progress](double done, double total, const std::string& text) {
    if (progress) progress(done, total, text);
  };
  auto report = co_await hold_tap_for(std::move(request), blocking_, std::move(on_time), stop);
  if (!report) co_return failed(report.error());
  auto answered = answer_of(*report, design_, now_utc());
  AskAnswer out{std::move(answered.answer), answered.exit_code};
  co_return out;
}

asio::awaitable<AskAnswer> Asks::path(json arguments, AskProgress progress, Stop& stop) {
  const auto secret = word(arguments, "key");
  const auto key = secrets_.key(secret);
  if (!key) co_return failed(no_secret(secret));
  const double port = number(arguments, "tcp_port", 7861), seconds = number(arguments, "seconds", 5);
  if (port_is_wrong(port)) co_return failed({FaultKind::bad_request, "there is no such TCP port", "", "1 to 65535"});
  if (const auto wrong = check_seconds(seconds)) co_return failed(*wrong);
  const double ceiling = number(arguments, "ceiling_mbps", default_ceiling_bps / 1e6) * 1e6;
  if (!(ceiling > 0)) co_return failed({FaultKind::bad_request, "the ceiling must be more than 0", "", ""});
  json answer;
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
    answer[name] = *report;
    if (stop.requested()) break;
  }
  co_return read(std::move(answer));
}

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
