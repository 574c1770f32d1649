#include "probes/path/far_end.hpp"

#include "probes/deadline.hpp"
#include "probes/path/far_end_channel.hpp"
#include "probes/path/far_end_work.hpp"
#include "probes/path/stamp_reflector.hpp"
#include "probes/wire/far_end_handshake.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/ip/address.hpp>
#include <openssl/rand.h>

#include <map>
#include <set>

namespace tallywire::path {

namespace asio = boost::asio;
using asio::ip::tcp;
using namespace std::chrono_literals;

namespace {

// By the word that asks for it.
const std::map<std::string, FarEndWork> works = {
    {"rehearsal", serve_rehearsal},
    {"throughput", serve_throughput},
    {"stamp", serve_stamp},
    {"udp", serve_udp},
    {"volume", serve_volume},
};

// Beside those that measure: whoever connects and proves nothing is gone in seconds, and keeps nobody out meanwhile.
constexpr std::size_t most_connections = 32;

// One of those that measure, for as long as it does.
struct Measuring {
  explicit Measuring(int& c) : count(c) { ++count; }
  ~Measuring() { --count; }
  Measuring(const Measuring&) = delete;
  Measuring& operator=(const Measuring&) = delete;
  int& count;
};

// Four sessions of the usual 50 packets a second; more is no measurement.
constexpr std::uint32_t plain_answers_per_s = 200;

Outcome<std::unique_ptr<StampReflector>> open_plain_reflector(const asio::ip::address& local, const FarEndSettings& far_end) {
  StampReflectorSettings settings;
  settings.local = local;
  settings.udp_port = far_end.plain_reflector_port;
  settings.session.stateful = false;
  settings.session.most_per_s = plain_answers_per_s;
  for (const auto& text : far_end.plain_reflector_for) {
    boost::system::error_code code;
    settings.askers.push_back(asio::ip::make_address(text, code));
    if (code) return Fault{FaultKind::bad_request, "this is no IP address", text, "give the address in numbers"};
  }
  return StampReflector::open(std::move(settings));
}

}  // namespace

struct FarEnd::State : std::enable_shared_from_this<FarEnd::State> {
  State(asio::io_context& c, asio::thread_pool& b, FarEndSettings s)
      : context(c), blocking(b), settings(std::move(s)), acceptor(c) {}

  asio::awaitable<void> accept();
  asio::awaitable<void> serve(std::shared_ptr<FarEndChannel> channel);

  asio::io_context& context;
  asio::thread_pool& blocking;
  FarEndSettings settings;
  tcp::acceptor acceptor;
  std::set<std::shared_ptr<FarEndChannel>> sessions;
  int measuring = 0;  // of them, those that proved the key
  std::unique_ptr<StampReflector> plain_reflector;
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
  if (state_->settings.plain_reflector_port != 0) {
    auto reflector = open_plain_reflector(address, state_->settings);
    if (!reflector) return reflector.error();
    state_->plain_reflector = std::move(*reflector);
  }
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
  state_->plain_reflector.reset();
  for (const auto& session : state_->sessions) session->cancel();
}

bool FarEnd::finished() const { return state_->stopped && state_->sessions.empty(); }

asio::awaitable<void> FarEnd::State::accept() {
  const auto self = shared_from_this();
  while (!stopped) {
    auto [code, socket] = co_await acceptor.async_accept(asio::as_tuple(asio::use_awaitable));
    if (stopped) break;
    if (code) {  // out of descriptors, or the peer was gone already: others may still come
      co_await pause_for(100ms);
      continue;
    }
    if (sessions.size() >= most_connections) continue;  // closed at once
    boost::system::error_code ignored;
    const auto peer = socket.remote_endpoint(ignored);
    auto channel = std::make_shared<FarEndChannel>(std::move(socket), plain_address(peer.address()).to_string());
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
  if (measuring >= most_sessions) {
    co_await channel->send(wire::far_end_refused("it takes part in " + std::to_string(most_sessions) + " measurements already; wait until one has ended"),
                           handshake_limit);
    co_return;
  }
  const Measuring one(measuring);
  const auto name = admitted->value("do", "");
  const auto work = works.find(name);
  if (work != works.end()) {
    const FarEndPlace place{context, blocking, settings, stopped};
    co_await work->second(place, channel, *admitted);
  } else {
    co_await channel->send(wire::far_end_refused("nobody here knows how to do “" + name + "”"), handshake_limit);
  }
}

}  // namespace tallywire::path
