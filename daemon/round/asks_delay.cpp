#include "daemon/round/asks_delay.hpp"

#include "daemon/round/ask_parts.hpp"
#include "probes/path/delay_session.hpp"

#include <boost/asio/ip/address.hpp>
#include "probes/wire/stamp.hpp"

#include <algorithm>

namespace tallywire::round {

namespace asio = boost::asio;
using nlohmann::json;

namespace {

constexpr double usual_packets_per_s = 50, usual_seconds = 5;

path::OnDelayTick telling(AskProgress progress, double seconds) {
  const auto begin = std::chrono::steady_clock::now();
  return [progress, seconds, begin](const path::DelayTick&) {
    const double done = std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count();
    if (progress) progress(std::min(done, seconds), seconds, "measuring delay");
  };
}

void put(json& answer, const path::DelayReport& report) {
  answer["delay"] = report;
  if (report.answered_packets > 0) return;
  const auto why = report.unread.find("round_trip_ms");
  answer["unread"]["delay"] = why == report.unread.end() ? "no packet came back" : why->second;
}

// The ceiling holds for these packets too: on the wire each costs the headers of UDP, IP and Ethernet beside (RFC 768, 791, 8200, IEEE 802.3).
std::optional<Fault> above_ceiling(const json& arguments, const path::DelayRequest& request) {
  if (!arguments.contains("ceiling_mbps")) return std::nullopt;
  const auto least = wire::least_octets(request.authenticated ? wire::StampMode::authenticated : wire::StampMode::unauthenticated);
  const bool v6 = request.far_end.address.find(':') != std::string::npos;
  const double packet_bits = (std::max(static_cast<double>(least), static_cast<double>(request.packet_octets)) + 8 + (v6 ? 40 : 20) + 38) * 8;
  const double most_per_s = number(arguments, "ceiling_mbps", 0) * 1e6 / packet_bits;
  if (request.packets_per_s <= most_per_s) return std::nullopt;
  return Fault{FaultKind::bad_request, "the packets that measure delay would be above the ceiling", "--ceiling-mbps",
               "at most " + figure(most_per_s) + " a second by --delay-packets-per-s, or --only tcp,udp"};
}

}  // namespace

asio::awaitable<std::optional<Fault>> add_delay(const json& arguments, std::string key, json& answer, AskProgress progress, Stop& stop) {
  const double seconds = number(arguments, "seconds", usual_seconds);
  path::DelayRequest request;
  request.far_end.address = word(arguments, "host");
  request.far_end.tcp_port = static_cast<std::uint16_t>(number(arguments, "tcp_port", request.far_end.tcp_port));
  request.far_end.key = std::move(key);
  request.duration = milliseconds_of(seconds);
  request.packets_per_s = number(arguments, "delay_packets_per_s", usual_packets_per_s);
  request.packet_octets = static_cast<int>(number(arguments, "delay_packet_bytes", 0));
  request.authenticated = !arguments.value("unauthenticated", false);
  if (auto wrong = above_ceiling(arguments, request)) co_return *wrong;
  auto on_tick = telling(std::move(progress), seconds);
  auto report = co_await path::measure_delay(std::move(request), std::move(on_tick), stop);
  if (report) {
    put(answer, *report);
    co_return std::nullopt;
  }
  // A far end that does not know how refuses, and may know the rest.
  if (report.error().kind != FaultKind::refused || word(arguments, "only") == "delay") co_return report.error();
  answer["delay"] = nullptr;
  answer["unread"]["delay"] = report.error().sentence();
  co_return std::nullopt;
}

bool asks_plain_reflector(const json& arguments) { return arguments.contains("plain_reflector_port"); }

asio::awaitable<AskAnswer> answer_plain_delay(json arguments, const config::Secrets& secrets, AskProgress progress, Stop& stop) {
  const double port = number(arguments, "plain_reflector_port", 0), seconds = number(arguments, "seconds", usual_seconds);
  if (port_is_wrong(port)) co_return failed({FaultKind::bad_request, "there is no such UDP port", "", "1 to 65535"});
  if (const auto wrong = check_seconds(seconds)) co_return failed(*wrong);
  path::PlainDelayRequest request;
  request.reflector.address = word(arguments, "host");
  boost::system::error_code code;
  const auto address = asio::ip::make_address(request.reflector.address, code);
  if (!code && (address.is_multicast() || address.is_unspecified() || address == asio::ip::address_v4::broadcast()))
    co_return failed({FaultKind::bad_request, "this is no single host's address", request.reflector.address, "give the reflector's own"});
  request.reflector.udp_port = static_cast<std::uint16_t>(port);
  if (const auto secret = word(arguments, "key"); !secret.empty()) {
    const auto key = secrets.key(secret);
    if (!key) co_return failed(no_secret(secret));
    request.reflector.key = *key;
  }
  request.duration = milliseconds_of(seconds);
  request.packets_per_s = number(arguments, "delay_packets_per_s", usual_packets_per_s);
  request.packet_octets = static_cast<int>(number(arguments, "delay_packet_bytes", 0));
  auto on_tick = telling(std::move(progress), seconds);
  auto report = co_await path::measure_plain_delay(std::move(request), std::move(on_tick), stop);
  if (!report) co_return failed(report.error());
  json answer;
  put(answer, *report);
  co_return read(std::move(answer));
}

}  // namespace tallywire::round
