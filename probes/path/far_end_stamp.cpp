#include "probes/path/far_end_work.hpp"

#include "probes/deadline.hpp"
#include "probes/path/clock_quality.hpp"
#include "probes/path/stamp_key.hpp"
#include "probes/path/stamp_reflector.hpp"
#include "probes/wire/far_end_handshake.hpp"

#include <algorithm>

namespace tallywire::path {

namespace asio = boost::asio;
using nlohmann::json;
using namespace std::chrono_literals;

namespace {

constexpr auto grace = 15s;  // for the asker's last answers and its goodbye
constexpr std::uint64_t most_times = 4, beside_per_s = 100;  // of the rate that was agreed: more is no path's doubles, but somebody's replay

json counts_json(const StampReflectorCounts& c) {
  return {{"received_packets", c.received_packets},
          {"duplicate_packets", c.duplicate_packets},
          {"reflected_packets", c.reflected_packets},
          {"unsent_packets", c.unsent_packets},
          {"ignored_packets", c.ignored.all() + c.foreign_packets},
          {"wrong_hmac_packets", c.ignored.wrong_hmac_packets},
          {"unstamped_packets", c.unstamped_packets},
          {"clock_moved_ns", c.clock_moved_ns},
          {"lags", c.lags_100ns.size()}};
}

// The lags follow the counts in frames of their own.
asio::awaitable<Outcome<bool>> send_lags(std::shared_ptr<FarEndChannel> channel, std::vector<std::int32_t> lags) {
  for (std::size_t at = 0; at < lags.size(); at += stamp_lags_a_frame) {
    const auto begin = lags.begin() + static_cast<std::ptrdiff_t>(at);
    const std::vector<std::int32_t> part(begin, begin + static_cast<std::ptrdiff_t>(std::min(stamp_lags_a_frame, lags.size() - at)));
    std::string frame = wire::encode_far_end_frame({{"lags_100ns", part}});
    auto sent = co_await channel->send(std::move(frame), handshake_limit);
    if (!sent) co_return sent.error();
  }
  co_return true;
}

}  // namespace

// {"do": "stamp", "duration_ms", "packets", "session", "salt", "authenticated", "stateful"}; yes: {"udp_port", "clock"}; then
// the asker's goodbye, any frame, is answered by the counts and the clock, and how late each answer left. Nothing of the session is left after it.
asio::awaitable<void> serve_stamp(FarEndPlace place, std::shared_ptr<FarEndChannel> channel, json request) {
  const auto duration = std::chrono::milliseconds(request.value("duration_ms", std::int64_t{0}));
  const auto packets = request.value("packets", std::uint32_t{0}), session = request.value("session", std::uint32_t{0});
  const bool authenticated = request.value("authenticated", true);
  const auto salt = request.value("salt", std::string());
  if (duration <= 0ms || duration > longest_measurement || packets == 0 || packets > most_stamp_packets || session == 0 || session > 0xffff ||
      salt.size() < least_stamp_salt) {
    co_await channel->send(wire::far_end_refused("a duration of up to 10 minutes, a number of packets, a session and its salt are needed"), handshake_limit);
    co_return;
  }
  StampReflectorSettings settings;
  settings.local = channel->local_address();
  settings.askers = {channel->peer_address()};
  settings.session.mode = authenticated ? wire::StampMode::authenticated : wire::StampMode::unauthenticated;
  if (authenticated) settings.session.key = stamp_session_key(place.settings.key, salt);
  settings.session.stateful = request.value("stateful", true);
  settings.session.session_id = static_cast<std::uint16_t>(session);
  settings.session.most_packets = packets;
  const auto agreed_per_s = packets * std::uint64_t{1000} / static_cast<std::uint64_t>(duration.count());
  settings.session.most_per_s = static_cast<std::uint32_t>(std::min<std::uint64_t>(most_times * agreed_per_s + beside_per_s, most_stamp_packets));
  auto reflector = StampReflector::open(std::move(settings));
  if (!reflector) {
    co_await channel->send(wire::far_end_refused(reflector.error().what), handshake_limit);
    co_return;
  }
  const auto clock = read_clock_quality();
  json details = {{"udp_port", (*reflector)->port()}, {"clock", clock}};
  auto sent = co_await channel->send(wire::far_end_accepted(std::move(details)), handshake_limit);
  if (!sent) co_return;
  auto goodbye = co_await channel->receive(duration + grace);
  const auto counts = (*reflector)->end();
  if (!goodbye) co_return;
  json answer = counts_json(counts);
  answer["clock"] = worse_of(clock, read_clock_quality());
  sent = co_await channel->send(wire::encode_far_end_frame(answer), handshake_limit);
  if (!sent) co_return;
  auto lags = send_lags(channel, counts.lags_100ns);
  co_await std::move(lags);
}

}  // namespace tallywire::path
