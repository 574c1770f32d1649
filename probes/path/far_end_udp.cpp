#include "probes/path/far_end_work.hpp"

#include "probes/deadline.hpp"
#include "probes/path/tcp_method.hpp"
#include "probes/path/udp_session.hpp"
#include "probes/wire/far_end_handshake.hpp"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/deferred.hpp>
#include <boost/asio/experimental/parallel_group.hpp>

#include <algorithm>

namespace tallywire::path {

namespace asio = boost::asio;
using nlohmann::json;
using namespace std::chrono_literals;

namespace {

constexpr auto longest_session = 5min;
constexpr double longest_train_s = 60;
constexpr std::size_t least_salt = 32;  // hexadecimal digits

// Ends the session before its thread is waited for, however the coroutine ends. Nobody else holds it: its thread could not wait for itself.
struct UdpWork {
  UdpWork(const UdpToken& token, asio::ip::address here, asio::ip::address there) : session(token, std::move(here), std::move(there)) {}
  ~UdpWork() {
    session.end();
    pool.join();
  }
  UdpWork(const UdpWork&) = delete;
  UdpWork& operator=(const UdpWork&) = delete;

  UdpSession session;
  asio::thread_pool pool{1};
};

bool is_within(const TrainPlan& plan, double ceiling_bps) {
  const double wire_bits = (static_cast<double>(plan.packet_bytes) + frame_octets_beyond_ip) * 8;
  return wire_bits / (plan.gap_ns * 1e-9) <= ceiling_bps * 1.001 && plan.packets * plan.gap_ns * 1e-9 <= longest_train_s;
}

// What the asker wants next, blocking. An empty object: it may not.
json carry_out(UdpSession& session, const json& step, double ceiling_bps) {
  const auto what = step.value("step", "");
  if (what == "listen") {  // the asker sends
    session.set_round_trip(std::chrono::milliseconds(std::clamp(step.value("round_trip_ms", 100), 0, 5000)));
    return {{"listening", session.was_greeted()}};
  }
  if (what == "speak") {  // the asker receives
    session.set_round_trip(std::chrono::milliseconds(std::clamp(step.value("round_trip_ms", 100), 0, 5000)));
    const bool greeted = session.was_greeted();
    session.stop_listening();
    return {{"speaking", greeted}};
  }
  if (what == "count") return count_to_json(session.count(step.value("trial", std::uint16_t{0})));
  if (what == "mtu") return mtu_to_json(session.find_mtu());
  const auto plan = what == "train" ? plan_from_json(step) : std::nullopt;
  if (!plan || !is_within(*plan, ceiling_bps)) return json::object();
  return sent_to_json(session.send(*plan));
}

// The asker says nothing until it has its answer: whatever is heard of it means that it is gone. Then nobody wants what is sent.
asio::awaitable<void> end_when_asker_is_gone(FarEndPlace place, std::shared_ptr<FarEndChannel> channel, UdpSession& session) {
  const bool heard = co_await channel->wait_for_word();  // or stopped; or the work is done
  if (heard || place.stopped) session.end();
}

// Empty: the asker may not, or is gone.
asio::awaitable<json> do_step(FarEndPlace place, std::shared_ptr<FarEndChannel> channel, UdpWork& work, json step, double ceiling_bps) {
  std::function<json()> act = [&work, step = std::move(step), ceiling_bps] {
    try {
      return carry_out(work.session, step, ceiling_bps);
    } catch (const json::exception&) {  // a field of a wrong type
      return json::object();
    }
  };
  auto executor = co_await asio::this_coro::executor;
  auto acting = offload<json>(work.pool, std::move(act));
  auto listening = end_when_asker_is_gone(place, std::move(channel), work.session);
  auto group = asio::experimental::make_parallel_group(asio::co_spawn(executor, std::move(acting), asio::deferred),
                                                       asio::co_spawn(executor, std::move(listening), asio::deferred));
  auto [order, act_failure, answer, listen_failure] = co_await group.async_wait(asio::experimental::wait_for_one(), asio::use_awaitable);
  if (act_failure) std::rethrow_exception(act_failure);
  if (order[0] != 0 || place.stopped) co_return json::object();
  co_return std::move(answer);
}

}  // namespace

asio::awaitable<void> serve_udp(FarEndPlace place, std::shared_ptr<FarEndChannel> channel, json request) {
  const double ceiling = request.value("ceiling_bps", 0.0);
  const auto salt = request.value("salt", "");
  if (!(ceiling > 0) || salt.size() < least_salt) {
    co_await channel->send(wire::far_end_refused("a ceiling and a salt are needed"), handshake_limit);
    co_return;
  }
  UdpWork work(udp_token(place.settings.key, salt), channel->local_address(), channel->peer_address());
  auto opened = work.session.open();
  if (!opened) {
    co_await channel->send(wire::far_end_refused(opened.error().what), handshake_limit);
    co_return;
  }
  work.session.listen();
  json details = {{"udp_port", work.session.port()}};
  auto sent = co_await channel->send(wire::far_end_accepted(std::move(details)), handshake_limit);
  const auto end = std::chrono::steady_clock::now() + longest_session;
  while (sent && !place.stopped && std::chrono::steady_clock::now() < end) {
    // As long as the asker's own trial may take.
    auto step = co_await channel->receive(std::chrono::seconds(static_cast<int>(longest_train_s)) + handshake_limit);
    if (!step) break;
    auto acting = do_step(place, channel, work, std::move(*step), ceiling);
    auto answer = co_await std::move(acting);
    if (answer.empty()) break;
    sent = co_await channel->send(wire::encode_far_end_frame(answer), handshake_limit);
  }
  std::function<bool()> fold = [&work] {
    work.session.end();
    work.session.stop_listening();
    return true;
  };
  co_await offload<bool>(work.pool, std::move(fold));
}

}  // namespace tallywire::path
