// Loss, doubles and order each way; the truth is what the made-up path did.
#include "probes/path/delay.hpp"
#include "tests/path/made_session.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using namespace tallywire::path;
using tallywire::test::MadeSession;

namespace {

const std::vector<double> lost, out{2}, back{3};

// Lost on the way to the reflector: 10 and 40 to 44; of its answers: 100 and the last one.
MadeSession lossy() {
  MadeSession made;
  made.to = [](std::uint32_t n) { return n == 10 || (n >= 40 && n <= 44) ? lost : out; };
  made.from = [](std::uint32_t n) { return n == 100 || n == 243 ? lost : back; };
  return made;
}

}  // namespace

TEST_CASE("with the far end's count, loss each way is exact, the last packets too") {
  const auto report = delay_report_of(lossy().run());
  CHECK(report.answered_packets == 242);
  CHECK(report.to.lost_packets == 6.0);
  CHECK(report.to.loss_ratio == 6.0 / 250);
  CHECK(report.from.lost_packets == 2.0);
  CHECK(report.from.loss_ratio == 2.0 / 244);
  CHECK(report.undecided_lost_packets == 0);
  CHECK(report.loss.lost == 8);
  REQUIRE(report.loss.periods.size() == 4);
  CHECK(report.loss.periods[1].packets == 5);
}

TEST_CASE("without it the reflector's numbers tell (RFC 8762 §4.3), and of what was lost last nobody knows the way") {
  auto made = lossy();
  made.tells_count = false;
  made.is_tallywire = false;
  const auto report = delay_report_of(made.run());
  CHECK(report.stateful == true);
  CHECK(report.to.lost_packets == 6.0);
  CHECK(report.from.lost_packets == 1.0);
  CHECK(report.undecided_lost_packets == 1);
}

TEST_CASE("a reflector that keeps no count leaves the ways unread, unless nothing was lost") {
  auto made = lossy();
  made.tells_count = made.is_tallywire = made.stateful = false;
  auto report = delay_report_of(made.run());
  CHECK_FALSE(report.stateful.has_value());
  CHECK_FALSE(report.to.lost_packets.has_value());
  CHECK(report.to.unread.at("lost_packets").find("keeps no count") != std::string::npos);
  CHECK(report.from.unread.contains("reordered_packets"));
  CHECK(report.to.variation.count > 200);

  made.to = [](std::uint32_t) { return out; };
  made.from = [](std::uint32_t) { return back; };
  report = delay_report_of(made.run());
  CHECK(report.to.lost_packets == 0.0);
  CHECK(report.from.lost_packets == 0.0);
}

TEST_CASE("doubles are told apart by the way on which they were made, and hide no loss") {
  MadeSession made;
  made.to = [](std::uint32_t n) { return n == 5 || n == 6 ? std::vector<double>{2, 2.1} : n == 7 ? lost : out; };
  made.from = [](std::uint32_t n) { return n == 50 ? std::vector<double>{3, 3.2, 9} : back; };
  for (const bool tells : {true, false}) {
    made.tells_count = tells;
    const auto report = delay_report_of(made.run());
    CHECK(report.answered_packets == 249);
    CHECK(report.duplicate_packets == 4);
    CHECK(report.to.duplicate_packets == 2.0);
    CHECK(report.from.duplicate_packets == 2.0);
    CHECK(report.to.lost_packets == 1.0);
    CHECK(report.from.lost_packets == 0.0);
    CHECK(report.to.order->reordered.empty());
    CHECK(report.from.order->reordered.empty());
  }
}

TEST_CASE("order is told each way: what is late on one way is in order on the other") {
  MadeSession made;
  made.to = [](std::uint32_t n) { return n == 20 ? std::vector<double>{2 + 65} : out; };    // behind the next three
  made.from = [](std::uint32_t n) { return n == 90 ? std::vector<double>{3 + 25} : back; };  // behind the next one
  const auto report = delay_report_of(made.run());
  REQUIRE(report.to.order->reordered.size() == 1);
  CHECK(report.to.order->reordered[0].number == 20);
  CHECK(report.to.order->reordered[0].extent == 3);
  CHECK(report.to.order->reordered[0].n == 3);
  REQUIRE(report.from.order->reordered.size() == 1);
  CHECK(report.from.order->reordered[0].extent == 1);
  CHECK(report.from.order->reordered[0].late_ns == 5'000'000);
  CHECK(report.to.lost_packets == 0.0);
}

TEST_CASE("the TTL tells how many routers lie between") {
  const auto report = delay_report_of(MadeSession{}.run());
  CHECK(report.to.hops == 2.0);    // 255 − 253, RFC 5357 §4.1.2
  CHECK(report.from.hops == 3.0);
  MadeSession plain;
  plain.is_tallywire = plain.tells_count = false;
  const auto other = delay_report_of(plain.run());
  CHECK(other.to.hops == 2.0);
  CHECK(other.from.unread.at("hops") == "with which TTL the reflector sends is not known");
}

TEST_CASE("a count that cannot be is not believed") {
  auto in = MadeSession{}.run();
  in.reflector->received_packets = 300;
  const auto report = delay_report_of(in);
  CHECK_FALSE(report.to.lost_packets.has_value());
  CHECK(report.to.unread.at("loss_ratio").find("does not fit") != std::string::npos);
  in = MadeSession{}.run();
  in.reflector.reset();
  in.arrivals[3].reflector_sequence_number = 4'000'000'000;
  CHECK_FALSE(delay_report_of(in).from.lost_packets.has_value());
}

TEST_CASE("when nothing comes back, the far end's count still tells on which way it was lost") {
  MadeSession made;
  made.from = [](std::uint32_t) { return lost; };
  const auto report = delay_report_of(made.run());
  CHECK(report.answered_packets == 0);
  CHECK(report.to.lost_packets == 0.0);
  CHECK(report.from.lost_packets == 250.0);
  CHECK(report.unread.at("round_trip_ms") == "no packet came back");
}

TEST_CASE("why nothing came back is told as far as it is known") {
  DelayInput in;
  CHECK(delay_report_of(in).unread.at("round_trip_ms") == "no packet was sent");
  in.sent.resize(5);
  in.gave_up = true;
  CHECK(delay_report_of(in).unread.at("round_trip_ms") == "the host did not answer 5 packets, so it was sent no more");
  in.refused = 2;
  in.ignored.wrong_hmac_packets = 3;
  CHECK(delay_report_of(in).unread.at("round_trip_ms") ==
        "the host did not answer 5 packets, so it was sent no more; it says that nobody listens on this UDP port; answers came that were made with another key");
  CHECK(delay_report_of(in).to.unread.contains("lost_packets"));
}
