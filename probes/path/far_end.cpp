#include "probes/path/far_end.hpp"

#include "probes/deadline.hpp"
#include "probes/path/far_end_channel.hpp"
#include "probes/volume/volume.hpp"
#include "probes/wire/far_end_handshake.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/ip/address.hpp>
#include <openssl/rand.h>

#include <algorithm>
#include <set>

namespace tallywire::path {

namespace asio = boost::asio;
using asio::ip::tcp;
using namespace std::chrono_literals;

namespace {

constexpr auto handshake_limit = 5s;
constexpr auto slow_start = 500ms;
constexpr auto longest_measurement = 10min;

}  // namespace

struct FarEnd::State : std::enable_shared_from_this<FarEnd::State> {
  State(asio::io_context& c, asio::thread_pool& b, FarEndSettings s)
      : context(c), blocking(b), settings(std::move(s)), acceptor(c) {}

  asio::awaitable<void> accept();
  asio::awaitable<void> serve(std::shared_ptr<FarEndChannel> channel);
  asio::awaitable<void> throughput(std::shared_ptr<FarEndChannel> channel, nlohmann::json request);
  asio::awaitable<void> volume(std::shared_ptr<FarEndChannel> channel, nlohmann::json request);

  asio::io_context& context;
  asio::thread_pool& blocking;
  FarEndSettings settings;
  tcp::acceptor acceptor;
  std::set<std::shared_ptr<FarEndChannel>> sessions;
  std::atomic<bool> stopped{false};
};

FarEnd::FarEnd(asio::io_context& context, asio::thread_pool& blocking, FarEndSettings settings)
    : state_(std::make_shared<State>(context, blocking, std::move(settings))) {}

Outcome<void> FarEnd::start() {
  auto& acceptor = state_->acceptor;
  const auto where = state_->settings.address + ":" + std::to_string(state_->settings.tcp_port);
  boost::system::error_code code;
  const auto address = asio::ip::make_address(state_->settings.address, code);
  const tcp::endpoint endpoint(address, state_->settings.tcp_port);
  if (!code) acceptor.open(endpoint.protocol(), code);
  if (!code) acceptor.set_option(tcp::acceptor::reuse_address(true), code);
  if (!code) acceptor.bind(endpoint, code);
  if (!code) acceptor.listen(8, code);
  if (code)
    return Fault{FaultKind::system, "the far end cannot listen: " + code.message(), where,
                 "check that the address is this machine's and the port is free"};
  asio::co_spawn(state_->context, state_->accept(), [state = state_](std::exception_ptr failure) {
    // The acceptor loop ends by stop(); anything else is a bug that must not pass in silence.
    if (failure && !state->stopped) std::rethrow_exception(failure);
  });
  return {};
}

std::uint16_t FarEnd::tcp_port() const { return state_->acceptor.local_endpoint().port(); }

void FarEnd::stop() {
  state_->stopped = true;
  boost::system::error_code code;
  state_->acceptor.close(code);
  for (const auto& session : state_->sessions) session->cancel();
}

asio::awaitable<void> FarEnd::State::accept() {
  const auto self = shared_from_this();
  while (!stopped) {
    auto [code, socket] = co_await acceptor.async_accept(asio::as_tuple(asio::use_awaitable));
    if (stopped) break;
    if (code) {  // out of descriptors, or the peer was gone already: others may still come
      co_await pause_for(100ms);
      continue;
    }
    if (sessions.size() >= most_sessions) continue;  // closed at once
    boost::system::error_code ignored;
    const auto peer = socket.remote_endpoint(ignored);
    auto channel = std::make_shared<FarEndChannel>(std::move(socket), peer.address().to_string());
    sessions.insert(channel);
    asio::co_spawn(context, serve(channel), [self, channel](std::exception_ptr failure) {
      self->sessions.erase(channel);
      // A session dies alone: what it threw has ended it, and the peer sees the connection close.
      static_cast<void>(failure);
    });
  }
}

asio::awaitable<void> FarEnd::State::serve(std::shared_ptr<FarEndChannel> channel) {
  const auto self = shared_from_this();
  std::vector<std::uint8_t> nonce(wire::nonce_octets);
  RAND_bytes(nonce.data(), static_cast<int>(nonce.size()));
  wire::FarEndKeeper keeper(settings.key, std::move(nonce));
  auto hello = co_await channel->receive(handshake_limit);
  if (!hello) co_return;
  auto challenge = keeper.challenge(*hello);
  if (!challenge) co_return;
  auto sent = co_await channel->send(std::move(*challenge), handshake_limit);
  if (!sent) co_return;
  auto request = co_await channel->receive(handshake_limit);
  if (!request) co_return;
  const auto admitted = keeper.admit(*request);
  if (!admitted) {
    co_await channel->send(wire::far_end_refused("the keys differ"), handshake_limit);
    co_return;
  }
  const auto what = admitted->value("do", "");
  if (what == "throughput")
    co_await throughput(channel, *admitted);
  else if (what == "volume")
    co_await volume(channel, *admitted);
  else
    co_await channel->send(wire::far_end_refused("nobody here knows how to do “" + what + "”"), handshake_limit);
}

asio::awaitable<void> FarEnd::State::throughput(std::shared_ptr<FarEndChannel> channel, nlohmann::json request) {
  const auto duration = std::chrono::milliseconds(request.value("duration_ms", 0));
  const double ceiling = request.value("ceiling_bps", 0.0);
  if (duration <= 0ms || duration > longest_measurement || !(ceiling > 0)) {
    co_await channel->send(wire::far_end_refused("a duration of up to 10 minutes and a ceiling are needed"), handshake_limit);
    co_return;
  }
  auto sent = co_await channel->send(wire::far_end_accepted(), handshake_limit);
  if (!sent) co_return;
  const FarEndChannel::OnTime nobody;
  nlohmann::json answer;
  if (request.value("direction", "") == "to") {
    auto came = co_await channel->receive_bulk(slow_start, duration + 15s, nobody);
    if (!came) co_return;
    answer = {{"octets", came->octets}, {"seconds", came->seconds}};
  } else {
    auto done = co_await channel->send_bulk(duration, ceiling, nobody);
    if (!done) co_return;
    ThroughputReport kernel;
    channel->read_kernel(kernel);
    answer = kernel;
  }
  co_await channel->send(wire::encode_far_end_frame(answer), handshake_limit);
}

asio::awaitable<void> FarEnd::State::volume(std::shared_ptr<FarEndChannel> channel, nlohmann::json request) {
  const auto path = request.value("path", "");
  // Asked for by the path of the design or by its name here; only what the settings list is ever written to.
  const auto named = std::find_if(settings.volumes.begin(), settings.volumes.end(),
                                  [&](const auto& v) { return v.first == path || v.second == path; });
  const auto duration = std::chrono::milliseconds(request.value("duration_ms", 0));
  if (named == settings.volumes.end() || duration <= 0ms || duration > longest_measurement) {
    co_await channel->send(wire::far_end_refused("its settings name no volume “" + path + "”"), handshake_limit);
    co_return;
  }
  auto sent = co_await channel->send(wire::far_end_accepted(), handshake_limit);
  if (!sent) co_return;
  volume::VolumeRequest order;
  order.path = named->second;
  order.duration = duration;
  order.parallel_files = std::clamp(request.value("parallel_files", 4), 1, 64);
  std::function<Outcome<volume::VolumeReport>()> measure = [this, order] {
    return volume::measure_volume(order, stopped, {});
  };
  auto report = co_await offload<Outcome<volume::VolumeReport>>(blocking, std::move(measure));
  nlohmann::json answer;
  if (report)
    answer = *report;
  else
    answer = {{"fault", report.error().what}, {"try_next", report.error().try_next}};
  co_await channel->send(wire::encode_far_end_frame(answer), handshake_limit);
}

}  // namespace tallywire::path
