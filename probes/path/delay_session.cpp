#include "probes/path/delay_session.hpp"

#include "probes/deadline.hpp"
#include "probes/path/stamp_key.hpp"
#include "probes/path/stamp_sender.hpp"

#include <boost/asio/ip/address.hpp>
#include <nlohmann/json.hpp>
#include <openssl/rand.h>

#include <algorithm>
#include <cmath>
#include <memory>

namespace tallywire::path {

namespace asio = boost::asio;
using nlohmann::json;
using namespace std::chrono_literals;

namespace {

constexpr auto tick = 100ms;
constexpr auto count_limit = 5s, count_limit_when_stopped = 1s;
constexpr std::int64_t longest_lag_100ns = 1'000'000;
constexpr double most_packets_per_s = 1000;
constexpr int most_packet_octets = 1452;  // what an IPv6 packet of 1500 octets carries, less the UDP header

std::uint32_t random_number() {
  std::uint32_t out = 0;
  RAND_bytes(reinterpret_cast<unsigned char*>(&out), sizeof out);
  return out;
}

std::uint16_t random_session() {
  for (;;)
    if (const auto out = static_cast<std::uint16_t>(random_number()); out != 0) return out;
}

std::string random_salt() {
  std::string out;
  while (out.size() < least_stamp_salt) {
    char digits[9];
    std::snprintf(digits, sizeof digits, "%08x", random_number());
    out += digits;
  }
  return out;
}

std::optional<Fault> wrong_request(std::chrono::milliseconds duration, double packets_per_s, int packet_octets, wire::StampMode mode) {
  const auto wrong = [](const char* what, std::string right) { return Fault{FaultKind::bad_request, what, "", std::move(right)}; };
  if (duration <= 0ms || duration > 10min) return wrong("delay is measured for more than 0 and at most 600 s", "");
  if (!(packets_per_s > 0) || packets_per_s > most_packets_per_s) return wrong("there is no such rate of packets", "more than 0, at most 1000 a second");
  const auto least = static_cast<int>(wire::least_octets(mode));
  const bool fits = packet_octets == 0 || packet_octets == least || (packet_octets >= least + 4 && packet_octets <= most_packet_octets);
  if (fits) return std::nullopt;
  return wrong("packets cannot be of this length",
               std::to_string(least) + ", or " + std::to_string(least + 4) + " to " + std::to_string(most_packet_octets) + " octets");
}

// Until the sender has ended, or was stopped; none when this coroutine was cancelled.
asio::awaitable<bool> watch(StampSender& sender, OnDelayTick on_tick) {
  while (!sender.ended()) {
    const bool whole = co_await pause_for(tick);
    if (!whole) co_return false;
    if (on_tick) on_tick(sender.tick());
  }
  co_return true;
}

DelayInput input_of(StampRun run, const StampSenderSettings& settings, std::size_t packet_octets) {
  DelayInput out;
  out.sent = std::move(run.sent);
  out.arrivals = std::move(run.arrivals);
  out.ignored = run.ignored;
  out.authenticated = settings.mode == wire::StampMode::authenticated;
  out.here = run.clock;
  out.clock_moved_ns = run.clock_moved_ns;
  out.sending_s = run.sending_s;
  out.packets_per_s = settings.packets_per_s;
  out.packet_octets = packet_octets;
  out.gave_up = run.gave_up;
  out.refused = run.refused;
  out.when = now_utc();
  return out;
}

std::optional<std::uint64_t> whole(const json& in, const char* key) {
  const auto at = in.find(key);
  if (at == in.end() || !at->is_number_unsigned()) return std::nullopt;
  return at->get<std::uint64_t>();
}

std::optional<ReflectorCount> count_of(const json& in) {
  const auto received = whole(in, "received_packets"), doubled = whole(in, "duplicate_packets"), reflected = whole(in, "reflected_packets"),
             ignored = whole(in, "ignored_packets");
  if (!received || !doubled || !reflected || !ignored) return std::nullopt;
  const auto moved = in.find("clock_moved_ns");
  if (moved == in.end() || !moved->is_number_integer()) return std::nullopt;
  return ReflectorCount{*received, *doubled, *reflected, *ignored, moved->get<std::int64_t>(), {}};
}

// How late each answer left, in frames of their own. Less than told when one does not come or is none.
asio::awaitable<std::vector<std::int32_t>> receive_lags(std::shared_ptr<FarEndChannel> channel, std::uint64_t told) {
  std::vector<std::int32_t> out;
  while (out.size() < std::min<std::uint64_t>(told, most_stamp_packets)) {
    auto frame = co_await channel->receive(count_limit);
    if (!frame) break;
    const auto part = frame->find("lags_100ns");
    if (part == frame->end() || !part->is_array() || part->empty()) break;
    for (const auto& lag : *part) {
      const auto value = lag.is_number_integer() ? lag.get<std::int64_t>() : -1;
      out.push_back(static_cast<std::int32_t>(value <= longest_lag_100ns ? std::max<std::int64_t>(value, -1) : -1));
    }
  }
  co_return out;
}

Outcome<asio::ip::udp::endpoint> endpoint_of(const std::string& address, std::uint16_t port) {
  boost::system::error_code code;
  const auto numeric = asio::ip::make_address(address, code);
  if (code) return Fault{FaultKind::bad_request, "the host is no IP address", address, "give the address in numbers"};
  return asio::ip::udp::endpoint(numeric, port);
}

}  // namespace

asio::awaitable<Outcome<DelayReport>> measure_delay(DelayRequest request, OnDelayTick on_tick, Stop& stop) {
  StampSenderSettings settings;
  settings.mode = request.authenticated ? wire::StampMode::authenticated : wire::StampMode::unauthenticated;
  if (const auto wrong = wrong_request(request.duration, request.packets_per_s, request.packet_octets, settings.mode)) co_return *wrong;
  const auto salt = random_salt();
  if (request.authenticated) settings.key = stamp_session_key(request.far_end.key, salt);
  settings.session_id = random_session();
  settings.duration = request.duration;
  settings.packets_per_s = request.packets_per_s;
  settings.packet_octets = std::max(wire::least_octets(settings.mode), static_cast<std::size_t>(request.packet_octets));
  const auto packets = static_cast<std::uint32_t>(std::ceil(std::chrono::duration<double>(request.duration).count() * request.packets_per_s));
  const auto address = request.far_end.address;
  json asked = {{"do", "stamp"},   {"duration_ms", request.duration.count()}, {"packets", packets}, {"session", settings.session_id},
                {"salt", salt}, {"authenticated", request.authenticated}};
  auto agreed = co_await agree(std::move(request.far_end), std::move(asked), &stop);
  if (!agreed) co_return agreed.error();
  auto channel = agreed->channel;
  const auto port = whole(agreed->details, "udp_port");
  if (!port || *port == 0 || *port > 65'535) {
    Fault fault{FaultKind::malformed, "the far end named no UDP port", channel->where(), "check that both ends run the same version"};
    co_return fault;
  }
  auto endpoint = endpoint_of(address, static_cast<std::uint16_t>(*port));
  if (!endpoint) co_return endpoint.error();
  settings.reflector = *endpoint;
  auto sender = StampSender::open(settings);
  if (!sender) co_return sender.error();
  const Stop::Subscription stopping(stop, [&sender] { (*sender)->stop(); });
  const bool watched = co_await watch(**sender, std::move(on_tick));
  if (!watched) {
    Fault fault{FaultKind::cancelled, "measuring delay was stopped", channel->where(), ""};
    co_return fault;
  }
  auto input = input_of((*sender)->finish(), settings, settings.packet_octets);
  std::string goodbye = wire::encode_far_end_frame({{"end", true}});
  auto sent = co_await channel->send(std::move(goodbye), count_limit_when_stopped);
  std::string no_count = sent ? "" : sent.error().sentence();
  input.there = clock_quality_from(agreed->details.value("clock", json()));
  if (sent) {
    const std::chrono::milliseconds limit = stop.requested() ? count_limit_when_stopped : count_limit;
    auto count = co_await channel->receive(limit);
    if (count) {
      input.reflector = count_of(*count);
      if (input.reflector && !stop.requested()) {
        auto lags = receive_lags(channel, whole(*count, "lags").value_or(0));
        input.reflector->lags_100ns = co_await std::move(lags);
      }
      const auto clock = clock_quality_from(count->value("clock", json()));
      if (clock) input.there = input.there ? worse_of(*input.there, *clock) : clock;
    } else {
      no_count = count.error().sentence();
    }
  }
  if (!input.there) input.there = ClockQuality{false, 0, "it does not tell"};
  auto report = delay_report_of(input);
  if (!no_count.empty()) report.notes.push_back("the far end's own count is missing, loss each way is told by its numbers: " + no_count);
  co_return report;
}

asio::awaitable<Outcome<DelayReport>> measure_plain_delay(PlainDelayRequest request, OnDelayTick on_tick, Stop& stop) {
  StampSenderSettings settings;
  settings.key = std::move(request.reflector.key);
  settings.mode = settings.key.empty() ? wire::StampMode::unauthenticated : wire::StampMode::authenticated;
  if (const auto wrong = wrong_request(request.duration, request.packets_per_s, request.packet_octets, settings.mode)) co_return *wrong;
  auto endpoint = endpoint_of(request.reflector.address, request.reflector.udp_port);
  if (!endpoint) co_return endpoint.error();
  settings.reflector = *endpoint;
  settings.session_id = random_session();
  settings.duration = request.duration;
  settings.packets_per_s = request.packets_per_s;
  settings.packet_octets = std::max(wire::least_octets(settings.mode), static_cast<std::size_t>(request.packet_octets));
  settings.has_agreed = false;
  auto sender = StampSender::open(settings);
  if (!sender) co_return sender.error();
  const Stop::Subscription stopping(stop, [&sender] { (*sender)->stop(); });
  const bool watched = co_await watch(**sender, std::move(on_tick));
  if (!watched) {
    Fault fault{FaultKind::cancelled, "measuring delay was stopped", request.reflector.address, ""};
    co_return fault;
  }
  auto input = input_of((*sender)->finish(), settings, settings.packet_octets);
  input.is_tallywire = false;
  co_return delay_report_of(input);
}

}  // namespace tallywire::path
