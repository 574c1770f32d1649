#include "probes/path/far_end_asker.hpp"

#include "probes/deadline.hpp"
#include "probes/path/far_end_channel.hpp"
#include "probes/wire/far_end_handshake.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/ip/address.hpp>
#include <openssl/rand.h>

#include <cstdio>

namespace tallywire::path {

namespace asio = boost::asio;
using asio::ip::tcp;
using namespace std::chrono_literals;

namespace {

constexpr auto answer_limit = 5s;
constexpr auto slow_start = 500ms;

std::vector<std::uint8_t> random_nonce() {
  std::vector<std::uint8_t> out(wire::nonce_octets);
  RAND_bytes(out.data(), static_cast<int>(out.size()));
  return out;
}

asio::awaitable<Outcome<bool>> connect(tcp::socket& socket, tcp::endpoint endpoint, std::string where) {
  auto [code] = co_await socket.async_connect(endpoint, asio::as_tuple(asio::use_awaitable));
  if (!code) co_return true;
  Fault fault{FaultKind::unreachable, "the far end cannot be reached: " + code.message(), where,
              "check that tallywired runs there with “far_end” in its settings"};
  co_return fault;
}

// Connects, proves the key both ways, sends the request; the channel is then ready for what was asked.
asio::awaitable<Outcome<std::shared_ptr<FarEndChannel>>> agree(FarEndAddress far_end, nlohmann::json request) {
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
  auto connecting = connect(socket, endpoint, where);
  auto connected = co_await within<bool>(answer_limit, std::move(connecting), "connecting", where);
  if (!connected) co_return connected.error();
  auto channel = std::make_shared<FarEndChannel>(std::move(socket), where);
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
  auto agreed = wire::FarEndAsker::read_verdict(*verdict, where);
  if (!agreed) co_return agreed.error();
  co_return channel;
}

std::string method_of(double ceiling_bps, double skip_s) {
  char text[160];
  std::snprintf(text, sizeof text, "one TCP connection, receiver's count, first %.1f s left out, sent at no more than %.6g Mbit/s",
                skip_s, ceiling_bps / 1e6);
  return text;
}

}  // namespace

asio::awaitable<Outcome<ThroughputReport>> measure_throughput(FarEndAddress far_end, Direction direction,
                                                              std::chrono::milliseconds duration, double ceiling_bps,
                                                              PathProgress progress, Stop& stop) {
  const bool to = direction == Direction::to_far_end;
  nlohmann::json request = {{"do", "throughput"},
                            {"direction", to ? "to" : "from"},
                            {"duration_ms", duration.count()},
                            {"ceiling_bps", ceiling_bps}};
  auto agreed = co_await agree(std::move(far_end), std::move(request));
  if (!agreed) co_return agreed.error();
  auto channel = *agreed;
  const Stop::Subscription stopping(stop, [channel] { channel->cancel(); });
  const double total = std::chrono::duration<double>(duration).count();
  FarEndChannel::OnTime on_time = [&](double done) {
    if (progress) progress(done, total);
  };
  ThroughputReport out;
  out.direction = direction;
  if (to) {
    auto sent = co_await channel->send_bulk(duration, ceiling_bps, on_time);
    if (!sent) co_return sent.error();
    channel->read_kernel(out);
    auto count = co_await channel->receive(answer_limit + 10s);
    if (!count) co_return count.error();
    out.received_bytes = count->value("octets", 0.0);
    out.duration_s = count->value("seconds", 0.0);
  } else {
    auto came = co_await channel->receive_bulk(slow_start, duration + 15s, on_time);
    if (!came) co_return came.error();
    out.received_bytes = came->octets;
    out.duration_s = came->seconds;
    auto kernel = co_await channel->receive(answer_limit);
    if (!kernel) co_return kernel.error();
    for (auto [key, field] : {std::pair{"round_trip_ms", &out.round_trip_ms},
                              std::pair{"round_trip_min_ms", &out.round_trip_min_ms},
                              std::pair{"retransmitted_packets", &out.retransmitted_packets},
                              std::pair{"segment_bytes", &out.segment_bytes}}) {
      if (kernel->contains(key) && kernel->at(key).is_number())
        *field = kernel->at(key).get<double>();
      else
        out.unread[key] = "the far end's kernel does not tell";
    }
  }
  if (*out.duration_s > 0)
    out.goodput_bps = *out.received_bytes * 8 / *out.duration_s;
  else
    out.unread["goodput_bps"] = "it ran too short to be counted";
  out.method = method_of(ceiling_bps, std::chrono::duration<double>(slow_start).count());
  out.when = now_utc();
  co_return out;
}

asio::awaitable<Outcome<volume::VolumeReport>> measure_far_volume(FarEndAddress far_end, std::string path,
                                                                  std::chrono::milliseconds duration,
                                                                  int parallel_files, Stop& stop) {
  nlohmann::json request = {
      {"do", "volume"}, {"path", path}, {"duration_ms", duration.count()}, {"parallel_files", parallel_files}};
  auto agreed = co_await agree(std::move(far_end), std::move(request));
  if (!agreed) co_return agreed.error();
  auto channel = *agreed;
  const Stop::Subscription stopping(stop, [channel] { channel->cancel(); });
  // A slow volume may be in the middle of a long write when its time is up.
  auto answer = co_await channel->receive(duration + 30s);
  if (!answer) co_return answer.error();
  if (answer->contains("fault")) {
    Fault fault{FaultKind::system, answer->at("fault").get<std::string>(), path + " at " + channel->where(),
                answer->value("try_next", "")};
    co_return fault;
  }
  co_return volume::report_from_json(*answer);
}

}  // namespace tallywire::path
