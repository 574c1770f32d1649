#include "daemon/round/asks.hpp"

#include "daemon/round/access.hpp"
#include "daemon/round/ask_parts.hpp"
#include "daemon/round/held_tap.hpp"
#include "daemon/round/tap_answer.hpp"
#include "probes/deadline.hpp"
#include "probes/stream/receiver.hpp"

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

// A wrong type must not pass for an argument that was left out.
std::optional<Fault> check_types(const json& arguments) {
  static const std::set<std::string> words = {"url", "transport", "rtsp_version", "login", "interface", "address", "snmp", "switch", "host", "key", "only",
                                              "phases", "path", "io", "speed_class", "card"};
  static const std::set<std::string> numbers = {"seconds", "threads", "udp_port", "tcp_port", "ceiling_mbps", "packet_bytes", "delay_packets_per_s",
                                                "delay_packet_bytes", "plain_reflector_port", "scale", "streams", "mbps", "fps", "gop", "key_ratio", "seed",
                                                "most_scale", "step_gops", "link_mbps", "files", "chunk_kib", "commit_s", "target_mbps", "playback",
                                                "most_bytes"};
  static const std::set<std::string> truths = {"allow_basic", "cable_test", "unauthenticated", "live", "paced", "true_capacity", "abandon", "yes"};
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
  return command == "stream" || command == "tap" || command == "link" || command == "switch" || command == "path" || command == "rehearse" ||
         command == "volume";
}

asio::awaitable<AskAnswer> Asks::carry_out(std::string command, json arguments, AskProgress progress, Stop& stop) {
  if (const auto wrong = check_types(arguments)) co_return failed(*wrong);
  AskAnswer out = failed({FaultKind::bad_request, "nothing answers to “" + command + "”", "", ""});
  if (command == "stream") out = co_await stream(std::move(arguments), std::move(progress), stop);
  if (command == "tap") out = co_await tap(std::move(arguments), std::move(progress), stop);
  if (command == "link") out = co_await link(std::move(arguments), std::move(progress), stop);
  if (command == "switch") out = co_await look_at_switch(std::move(arguments), std::move(progress), stop);
  if (command == "path") out = co_await path(std::move(arguments), std::move(progress), stop);
  if (command == "rehearse") out = co_await rehearse(std::move(arguments), std::move(progress), stop);
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

}  // namespace tallywire::round
