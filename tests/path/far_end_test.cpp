// A far end on the loopback: what ends a session, and what a peer may not do to it.
#include "probes/deadline.hpp"
#include "probes/path/agreement.hpp"
#include "probes/path/far_end.hpp"
#include "probes/path/udp_socket.hpp"
#include "probes/wire/far_end_handshake.hpp"

#include <catch2/catch.hpp>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/write.hpp>

#include <thread>
#include <vector>

namespace asio = boost::asio;
using namespace tallywire;
using namespace tallywire::path;
using namespace std::chrono_literals;
using asio::ip::tcp;
using nlohmann::json;

namespace {

const std::string key = "0123456789abcdef0123456789abcdef", salt(32, 'a');

struct Place {
  Place() {
    end.emplace(context, blocking, FarEndSettings{"127.0.0.1", 0, key, {}});
    REQUIRE(end->start().has_value());
    address = {"127.0.0.1", end->tcp_port(), key};
  }
  ~Place() {
    end->stop();
    CHECK(within_limit(10s, [this] { return end->finished(); }));
    blocking.join();
  }
  template <class F>
  bool within_limit(std::chrono::milliseconds limit, F is_so) {
    const auto until = std::chrono::steady_clock::now() + limit;
    while (!is_so() && std::chrono::steady_clock::now() < until) context.run_for(10ms);
    return is_so();
  }
  // Runs the work to its end.
  template <class T>
  T finish(asio::awaitable<T> work) {
    std::optional<T> out;
    asio::co_spawn(context, std::move(work), [&](std::exception_ptr failure, T came) {
      if (!failure) out.emplace(std::move(came));
    });
    REQUIRE(within_limit(20s, [&] { return out.has_value(); }));
    return std::move(*out);
  }
  Agreement agreed(json request) {
    auto out = finish(agree(address, std::move(request)));
    REQUIRE(out.has_value());
    return std::move(*out);
  }
  json say(FarEndChannel& channel, const json& step) {
    REQUIRE(finish(channel.send(wire::encode_far_end_frame(step), 5s)).has_value());
    auto answer = finish(channel.receive(15s));
    REQUIRE(answer.has_value());
    return *answer;
  }

  asio::io_context context{1};
  asio::thread_pool blocking{2};
  std::optional<FarEnd> end;
  FarEndAddress address;
};

// The asker of a far end that sends: greeted, so that trains come here.
struct Listening {
  explicit Listening(Place& place) : talk(place.agreed({{"do", "udp"}, {"salt", salt}, {"ceiling_bps", 10e6}})) {
    REQUIRE_FALSE(socket.open(asio::ip::make_address("127.0.0.1")));
    const UdpSocket::Endpoint port(asio::ip::make_address("127.0.0.1"), talk.details.at("udp_port").get<std::uint16_t>());
    REQUIRE(socket.send_to(port, UdpPacket(), udp_token(key, salt), 0) == 0);
    REQUIRE(place.say(*talk.channel, {{"step", "speak"}, {"round_trip_ms", 10}}).at("speaking") == true);
  }
  // A train of half a minute.
  void let_send(Place& place) {
    const json step = {{"step", "train"}, {"trial", 1}, {"packets", 30'000}, {"gap_ns", 1e6}, {"packet_bytes", 200}};
    REQUIRE(place.finish(talk.channel->send(wire::encode_far_end_frame(step), 5s)).has_value());
    REQUIRE(place.within_limit(10s, [this] { return hears(); }));
  }
  bool hears() {
    return socket.receive(1ms, [](const UdpSocket::Arrival&) {});
  }
  // Nothing for as long as hundreds of packets would take.
  bool is_quiet(Place& place) {
    auto last = std::chrono::steady_clock::now();
    return place.within_limit(10s, [&] {
      if (hears()) last = std::chrono::steady_clock::now();
      return std::chrono::steady_clock::now() - last > 500ms;
    });
  }

  UdpSocket socket;
  Agreement talk;
};

}  // namespace

TEST_CASE("a far end that sends ends when its asker hangs up, and its places are free again") {
  Place place;
  for (int i = 0; i < FarEnd::most_sessions + 1; ++i) {
    Listening asker(place);
    asker.let_send(place);
    asker.talk.channel.reset();
    CHECK(asker.is_quiet(place));
  }
}

TEST_CASE("a far end that sends ends when it is stopped") {
  Place place;
  Listening asker(place);
  asker.let_send(place);
  place.end->stop();
  CHECK(asker.is_quiet(place));
  CHECK(place.within_limit(10s, [&] { return place.end->finished(); }));  // half a minute it was told
}

TEST_CASE("a far end that is stopped while it sends by TCP is finished soon") {
  Place place;
  auto talk = place.agreed({{"do", "throughput"}, {"direction", "from"}, {"duration_ms", 60'000}, {"skip_ms", 0}, {"ceiling_bps", 1e6}});
  REQUIRE(place.finish(talk.channel->send(wire::encode_far_end_frame({{"begin", true}}), 5s)).has_value());
  place.context.run_for(200ms);
  place.end->stop();
  CHECK(place.within_limit(10s, [&] { return place.end->finished(); }));
}

TEST_CASE("a frame that comes when its limit is over is this answer or the next") {
  asio::io_context context(1);
  tcp::acceptor door(context, tcp::endpoint(asio::ip::make_address("127.0.0.1"), 0));
  tcp::socket near(context);
  near.connect(door.local_endpoint());
  FarEndChannel channel(door.accept(), "loopback");
  const auto frame = wire::encode_far_end_frame({{"end", true}});
  int heard = 0;
  constexpr int turns = 20;
  for (int i = 0; i < turns; ++i) {
    bool over = false;
    asio::co_spawn(context, channel.receive(20ms), [&](std::exception_ptr, Outcome<json> came) {
      heard += came.has_value();
      over = true;
    });
    context.poll();
    // The network thread is held up until both have happened.
    asio::write(near, asio::buffer(frame));
    std::this_thread::sleep_for(40ms);
    for (const auto until = std::chrono::steady_clock::now() + 10s; !over && std::chrono::steady_clock::now() < until;) context.run_for(10ms);
    context.restart();
  }
  for (bool more = true; more;) {
    more = false;
    bool over = false;
    asio::co_spawn(context, channel.receive(200ms), [&](std::exception_ptr, Outcome<json> came) {
      more = came.has_value();
      over = true;
    });
    for (const auto until = std::chrono::steady_clock::now() + 10s; !over && std::chrono::steady_clock::now() < until;) context.run_for(10ms);
    context.restart();
    heard += more;
  }
  CHECK(heard == turns);
}

TEST_CASE("a stop ends the coming to an agreement with a host that says nothing") {
  asio::io_context context(1);
  tcp::acceptor silent(context, tcp::endpoint(asio::ip::make_address("127.0.0.1"), 0));
  Stop stop;
  std::optional<FaultKind> met;
  asio::co_spawn(context, agree({"127.0.0.1", silent.local_endpoint().port(), key}, {{"do", "udp"}}, &stop),
                 [&](std::exception_ptr failure, Outcome<Agreement> came) {
                   if (!failure && !came) met = came.error().kind;
                 });
  context.run_for(200ms);
  REQUIRE_FALSE(met);
  stop.request();
  const auto begun = std::chrono::steady_clock::now();
  while (!met && std::chrono::steady_clock::now() - begun < 10s) context.run_for(10ms);
  CHECK(met == FaultKind::cancelled);
  CHECK(std::chrono::steady_clock::now() - begun < 3s);  // its own limit is 5 s
}

TEST_CASE("who proves nothing keeps nobody out, and one measurement too many is told so") {
  Place place;
  std::vector<tcp::socket> silent;
  for (int i = 0; i < 2 * FarEnd::most_sessions; ++i) {
    silent.emplace_back(place.context);
    silent.back().connect({asio::ip::make_address("127.0.0.1"), place.address.tcp_port});
  }
  const json request = {{"do", "udp"}, {"salt", salt}, {"ceiling_bps", 1e6}};
  std::vector<Agreement> all;
  for (int i = 0; i < FarEnd::most_sessions; ++i) all.push_back(place.agreed(request));
  const auto refused = place.finish(agree(place.address, request));
  REQUIRE_FALSE(refused.has_value());
  CHECK(refused.error().kind == FaultKind::refused);
  CHECK(refused.error().what.find("4 measurements already") != std::string::npos);
  all.pop_back();
  bool free = false;
  for (int i = 0; i < 100 && !free; ++i) {
    place.context.run_for(20ms);
    free = place.finish(agree(place.address, request)).has_value();
  }
  CHECK(free);
}

TEST_CASE("who speaks of the wrong types is refused, and harms nobody") {
  Place place;
  for (const auto& frame : {json{{"say", 5}}, json{{"say", "hello"}, {"version", "1"}, {"nonce", std::string(64, 'a')}}, json{{"say", json::array()}}}) {
    tcp::socket one(place.context);
    one.connect({asio::ip::make_address("127.0.0.1"), place.address.tcp_port});
    asio::write(one, asio::buffer(wire::encode_far_end_frame(frame)));
    place.context.run_for(50ms);
  }
  for (const auto& request : {json{{"do", 7}}, json{{"do", "udp"}, {"salt", 1}}, json{{"do", "stamp"}, {"packets", "many"}}, json{{"do", "throughput"}, {"skip_ms", {}}},
                              json{{"do", "rehearsal"}, {"streams", -1}}}) {
    auto out = place.finish(agree(place.address, request));
    CHECK_FALSE(out.has_value());
  }
  CHECK(place.agreed({{"do", "throughput"}, {"direction", "to"}, {"duration_ms", 100}, {"skip_ms", 0}, {"ceiling_bps", 1e6}}).channel);
}
