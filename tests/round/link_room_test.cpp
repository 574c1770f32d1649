#include "daemon/round/link_room.hpp"

#include <catch2/catch.hpp>

#include <algorithm>
#include <queue>
#include <random>

using namespace tallywire;
using namespace tallywire::round;

namespace {

SharedLink link(double speed_bps, double load_bps = 0) { return {"a link", speed_bps, load_bps, true, 0.7}; }

LinkRoom room_of(const std::vector<SharedLink>& links, int most = 256) {
  LinkRoom room(most);
  room.end_look(links);
  return room;
}

// Who was opened, in order; the tickets; who was refused.
struct Heard {
  std::vector<std::string> opened, refused;
  std::map<std::string, LinkRoom::Ticket> tickets;
  void claim(LinkRoom& room, PlannedStream stream, LinkRoom::Rank rank = LinkRoom::Rank::round) {
    LinkRoom::Claim claim{std::move(stream), rank, {}, {}};
    claim.opened = [this, name = claim.stream.subject](LinkRoom::Ticket t) {
      opened.push_back(name);
      tickets[name] = t;
    };
    claim.refused = [this, name = claim.stream.subject](const std::string& why) { refused.push_back(name + ": " + why); };
    room.wait_for(std::move(claim));
  }
};

using Names = std::vector<std::string>;

// What a plan's execution did: its length, and the fullest that any link was, as a part of its ceiling.
struct Carried {
  double length_s = 0, fullest = 0;
};

// The plan is carried out by the account, in simulated time. Each stream is metered as long as it really takes and sends what it
// really sends, from its first second on; the account hears of a stream that sends more than promised after three seconds.
Carried carry_out(const Plan& plan, const std::vector<SharedLink>& links, unsigned seed, double late_ratio) {
  std::mt19937 random(seed);
  std::uniform_real_distribution<> part(0, 1);
  auto room = room_of(links);
  Carried out;
  double now = 0;
  std::vector<double> load(links.size());
  for (std::size_t i = 0; i < links.size(); ++i) load[i] = links[i].load_bps;
  using End = std::tuple<double, LinkRoom::Ticket, std::size_t>;
  std::priority_queue<End, std::vector<End>, std::greater<>> ends;
  std::vector<double> sends(plan.order.size());
  for (std::size_t i = 0; i < plan.order.size(); ++i) {
    sends[i] = plan.order[i].load_bps * (0.6 + 0.4 * part(random));
    const double seconds = plan.order[i].seconds * (1 + late_ratio * part(random));
    LinkRoom::Claim claim{plan.order[i], LinkRoom::Rank::round, {}, [](const std::string& why) { FAIL(why); }};
    claim.opened = [&, i, seconds](LinkRoom::Ticket ticket) {
      ends.emplace(now + seconds, ticket, i);
      for (const auto at : plan.order[i].links) {
        load[at] += sends[i];
        out.fullest = std::max(out.fullest, load[at] / links[at].ceiling_bps());
      }
    };
    room.wait_for(std::move(claim));
  }
  room.serve();
  while (!ends.empty()) {
    const auto [end, ticket, i] = ends.top();
    ends.pop();
    now = end;
    for (const auto at : plan.order[i].links) load[at] -= sends[i];
    room.close(ticket);
  }
  REQUIRE(room.waiting() == 0);
  out.length_s = now;
  return out;
}

}  // namespace

TEST_CASE("carried out, a plan of a random site stays under every ceiling and takes as long as it says") {
  for (unsigned seed = 0; seed < 80; ++seed) {
    std::mt19937 random(seed);
    const auto below = [&random](int n) { return static_cast<int>(random() % static_cast<unsigned>(n)); };
    std::vector<SharedLink> links{link(1e9, 5e7 * below(10))};
    for (int i = 0; i < 4; ++i) links.push_back(link(1e8, 1e6 * below(50)));
    std::vector<PlannedStream> streams;
    for (int i = 10 + below(80); i > 0; --i) {
      const auto uplink = static_cast<std::size_t>(1 + below(4));
      streams.push_back({"s" + std::to_string(i), 2.5e5 * (1 + below(60)), {uplink, 0}, 11.0 + 2 * below(5)});
    }
    auto room = room_of(links);
    const auto plan = plan_streams(streams, room.budgets_bps(), LinkRoom::most_streams_at_once);
    INFO("seed " << seed);
    const auto exact = carry_out(plan, links, seed, 0);
    REQUIRE(exact.fullest <= 1 + 1e-6);
    REQUIRE(exact.length_s == Approx(plan.streams_s));
    // Streams take up to a tenth longer, each by chance: the ceilings hold, and the length follows.
    const auto late = carry_out(plan, links, seed, 0.1);
    REQUIRE(late.fullest <= 1 + 1e-6);
    CHECK(late.length_s <= 1.15 * plan.streams_s);
  }
}

TEST_CASE("a stream that sends more than promised keeps the next one waiting until there is room for what it really sends") {
  auto room = room_of({link(10e6)});  // ceiling 7 Mbit/s
  Heard heard;
  heard.claim(room, {"over", 3e6, {0}, 10, 0});
  heard.claim(room, {"beside", 3e6, {0}, 10, 0});
  heard.claim(room, {"next", 3e6, {0}, 10, 10});
  room.serve();
  REQUIRE(heard.opened == Names{"over", "beside"});
  room.sends(heard.tickets["over"], 5e6);
  CHECK(room.taken_bps(0) == 8e6);
  room.close(heard.tickets["beside"]);
  CHECK(heard.opened.size() == 2);  // 5 + 3 is more than 7
  room.sends(heard.tickets["over"], 3.9e6);
  CHECK(heard.opened == Names{"over", "beside", "next"});
  room.sends(heard.tickets["over"], 1e6);  // never less than the promise
  CHECK(room.taken_bps(0) == 6e6);
}

TEST_CASE("streams of a prove are opened before those of a round that wait, and nothing overtakes them on their links") {
  auto room = room_of({link(10e6), link(10e6)});
  Heard heard;
  for (const char* name : {"a", "b", "c"}) heard.claim(room, {name, 3e6, {0}, 10, 0});
  heard.claim(room, {"elsewhere", 3e6, {1}, 10, 99});
  heard.claim(room, {"small", 0.5e6, {0}, 10, 99});
  room.serve();
  REQUIRE(heard.opened == Names{"a", "b", "elsewhere"});  // “small” would fit, and would keep “c” waiting longer
  heard.claim(room, {"proven", 5e6, {0}, 10, 0}, LinkRoom::Rank::prove);
  room.serve();
  room.close(heard.tickets["a"]);
  CHECK(heard.opened.size() == 3);
  room.close(heard.tickets["b"]);
  CHECK(heard.opened == Names{"a", "b", "elsewhere", "proven"});
  room.close(heard.tickets["proven"]);
  CHECK(heard.opened == Names{"a", "b", "elsewhere", "proven", "c", "small"});
}

TEST_CASE("one stream is not open twice at a time, though two rounds want it") {
  auto room = room_of({link(1e9)});
  Heard one, other;
  one.claim(room, {"same", 1e6, {0}, 10});
  other.claim(room, {"same", 1e6, {0}, 10}, LinkRoom::Rank::prove);
  room.serve();
  CHECK(one.opened.size() + other.opened.size() == 1);
  room.close(other.tickets["same"]);
  CHECK(one.opened.size() == 1);
}

TEST_CASE("a look into which our own streams ran neither counts them twice nor makes the link emptier than it was known to be") {
  auto room = room_of({link(100e6, 20e6)});
  Heard heard;
  heard.claim(room, {"ours", 10e6, {0}, 10});
  room.serve();
  room.begin_look();
  room.end_look({link(100e6, 29e6)});  // 20 and what ours really sends
  CHECK(room.budgets_bps()[0] == Approx(50e6));
  room.begin_look();
  room.end_look({link(100e6, 45e6)});  // somebody else sends more by now
  CHECK(room.budgets_bps()[0] == Approx(35e6));
  room.begin_look();
  room.close(heard.tickets["ours"]);
  room.end_look({link(100e6, 30e6)});  // it ran while the look began
  CHECK(room.budgets_bps()[0] == Approx(35e6));
  room.begin_look();
  room.end_look({link(100e6, 20e6)});
  CHECK(room.budgets_bps()[0] == Approx(50e6));
}

TEST_CASE("a look that tells nothing of a link leaves it as it was measured while streams count on it") {
  auto room = room_of({link(100e6, 20e6)});
  Heard heard;
  heard.claim(room, {"ours", 10e6, {0}, 10});
  room.serve();
  auto untold = link(100e6, 60e6);
  untold.load_is_measured = false;
  room.begin_look();
  room.end_look({untold});
  CHECK(room.budgets_bps()[0] == Approx(50e6));
  room.close(heard.tickets["ours"]);
  room.begin_look();
  room.end_look({untold});
  CHECK(room.budgets_bps()[0] == Approx(10e6));
}

TEST_CASE("a stream that waits is refused with the reason when its link carries more than leaves it room") {
  auto room = room_of({link(10e6)});
  Heard heard;
  heard.claim(room, {"open", 4e6, {0}, 10, 0});
  heard.claim(room, {"waits", 4e6, {0}, 10, 10});
  room.serve();
  room.end_look({link(10e6, 8e6)});
  room.serve();
  REQUIRE(heard.refused.size() == 1);
  CHECK(heard.refused[0] == "waits: opening it would push a link past its ceiling: it may bring 4 Mbit/s, and of 7 Mbit/s the link carries 4 Mbit/s already");
}

TEST_CASE("what is left for a path is taken while it is measured, and leaves a prove that waits its room") {
  auto room = room_of({link(10e6, 1e6), link(1e9)});
  Heard heard;
  const auto [first, all] = room.take_all_left({0, 1}, 1e10);
  CHECK(all == Approx(6e6));
  heard.claim(room, {"proven", 2e6, {0}, 10}, LinkRoom::Rank::prove);
  room.serve();
  CHECK(heard.opened.empty());
  room.close(first);
  CHECK(heard.opened == Names{"proven"});
  heard.claim(room, {"proven too", 5e6, {0}, 10}, LinkRoom::Rank::prove);
  room.serve();
  const auto [second, nothing] = room.take_all_left({0}, 1e10);
  CHECK(nothing == 0);
  room.close(second);
}

TEST_CASE("a link of unknown speed bounds nothing, and no more streams are open than may be") {
  auto room = room_of({link(0)}, 3);
  Heard heard;
  for (const char* name : {"a", "b", "c", "d"}) heard.claim(room, {name, 1e9, {0}, 10});
  room.serve();
  CHECK(heard.opened.size() == 3);
  room.close(heard.tickets["b"]);
  CHECK(heard.opened.size() == 4);
}
