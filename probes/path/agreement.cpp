#include "probes/path/agreement.hpp"

#include "probes/deadline.hpp"
#include "probes/wire/far_end_handshake.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/ip/address.hpp>
#include <openssl/rand.h>

#include <optional>

namespace tallywire::path {

namespace asio = boost::asio;
using asio::ip::tcp;
using namespace std::chrono_literals;

namespace {

constexpr auto answer_limit = 5s;

std::vector<std::uint8_t> random_nonce() {
  std::vector<std::uint8_t> out(wire::nonce_octets);
  RAND_bytes(out.data(), static_cast<int>(out.size()));
  return out;
}

Fault stopped(const std::string& where) { return {FaultKind::cancelled, "stopped before the far end had agreed", where, ""}; }

asio::awaitable<Outcome<bool>> connect(tcp::socket& socket, tcp::endpoint endpoint, std::string where) {
  auto [code] = co_await socket.async_connect(endpoint, asio::as_tuple(asio::use_awaitable));
  if (!code) co_return true;
  if (code == asio::error::operation_aborted) co_return stopped(where);
  Fault fault{FaultKind::unreachable, "the far end cannot be reached: " + code.message(), where,
              "check that tallywired runs there with “far_end” in its settings"};
  co_return fault;
}

}  // namespace

asio::awaitable<Outcome<Agreement>> agree(FarEndAddress far_end, nlohmann::json request, Stop* stop) {
  const std::string where = far_end.address + ":" + std::to_string(far_end.tcp_port);
  if (far_end.key.size() < wire::least_key_octets) {
    Fault fault{FaultKind::bad_request, "the key is shorter than 16 characters", where, "make one with: openssl rand -hex 32"};
    co_return fault;
  }
  boost::system::error_code code;
  const auto address = asio::ip::make_address(far_end.address, code);
  if (code) {
    Fault fault{FaultKind::bad_request, "the host is no IP address", far_end.address, "give the address in numbers"};
    co_return fault;
  }
  tcp::socket socket(co_await asio::this_coro::executor);
  tcp::endpoint endpoint(address, far_end.tcp_port);
  if (stop && stop->requested()) co_return stopped(where);
  std::optional<Stop::Subscription> stopping;
  if (stop)
    stopping.emplace(*stop, [&socket] {
      boost::system::error_code ignored;
      socket.cancel(ignored);
    });
  auto connecting = connect(socket, endpoint, where);
  auto connected = co_await within<bool>(answer_limit, std::move(connecting), "connecting", where);
  if (!connected) co_return connected.error();
  if (stop && stop->requested()) co_return stopped(where);
  auto channel = std::make_shared<FarEndChannel>(std::move(socket), where);
  if (stop) stopping.emplace(*stop, [channel] { channel->cancel(); });
  const wire::FarEndAsker asker(far_end.key, random_nonce(), std::move(request));
  auto sent = co_await channel->send(asker.hello(), answer_limit);
  if (!sent) co_return sent.error();
  auto challenge = co_await channel->receive(answer_limit);
  if (!challenge) co_return challenge.error();
  auto proof = asker.answer(*challenge, where);
  if (!proof) co_return proof.error();
  sent = co_await channel->send(std::move(*proof), answer_limit);
  if (!sent) co_return sent.error();
  auto verdict = co_await channel->receive(answer_limit);
  if (!verdict) co_return verdict.error();
  auto details = wire::FarEndAsker::read_verdict(*verdict, where);
  if (!details) co_return details.error();
  Agreement out{std::move(channel), std::move(*details)};
  co_return out;
}

}  // namespace tallywire::path
