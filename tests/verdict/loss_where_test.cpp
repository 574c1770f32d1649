#include "daemon/verdict/loss_where.hpp"

#include <catch2/catch.hpp>

#include <algorithm>

using namespace tallywire;
using namespace tallywire::verdict;

namespace {

const SystemTime noon = from_rfc3339("2026-11-25T12:00:00.000Z");

config::Camera unit(const std::string& id, const std::string& switch_id, const std::string& port, int streams) {
  config::Camera camera;
  camera.id = id;
  camera.switch_id = switch_id;
  camera.port = port;
  config::Head head;
  head.id = "1";
  for (int i = 0; i < streams; ++i) {
    config::Stream stream;
    stream.id = std::string(1, static_cast<char>('a' + i));
    head.streams.push_back(stream);
  }
  camera.heads.push_back(head);
  return camera;
}

// hall (entry) <- yard <- pole: two units at hall, two at yard, one with two streams at pole.
config::Design site() {
  config::Design design;
  for (const auto& [id, to] : {std::pair{"hall", "core"}, {"yard", "hall"}, {"pole", "yard"}}) {
    config::Switch sw;
    sw.id = id;
    sw.uplinks.push_back({"up", "up", to, 100'000'000});
    design.switches.push_back(sw);
  }
  design.cameras = {unit("h1", "hall", "p1", 2), unit("h2", "hall", "p2", 1), unit("y1", "yard", "p1", 1), unit("y2", "yard", "p2", 1),
                    unit("s1", "pole", "p1", 2)};
  design.entry_switch = "hall";
  return design;
}

std::string stream(const std::string& camera, const std::string& id = "a") { return "camera/" + camera + "/head/1/stream/" + id; }

class Seen {
 public:
  // 4 Mbit/s for ten seconds are 3425 packets at least.
  Seen& stream_lost(const std::string& subject, double ratio, const std::string& transport = "udp", double bps = 4e6) {
    const auto over = std::chrono::seconds(10);
    readings.push_back(read_number(subject, "payload_bps", bps, "", noon, over));
    readings.push_back(read_number(subject, "loss_ratio", ratio, "", noon, over));
    readings.push_back(read_number(subject, "lost_packets", ratio * 3425, "", noon, over));
    readings.push_back(read_word(subject, "transport", transport, "", noon));
    return *this;
  }
  Seen& counted(const std::string& subject, const char* quantity, double count) {
    readings.push_back(read_number(subject, quantity, count, "IF-MIB, two looks", noon, std::chrono::seconds(60)));
    return *this;
  }
  Seen& healthy(const std::vector<std::string>& subjects) {
    for (const auto& s : subjects) stream_lost(s, 0);
    return *this;
  }
  std::vector<Finding> places() const { return find_loss_places(site(), readings); }
  std::vector<Reading> readings;
};

void check_one(const std::vector<Finding>& found, const std::string& id, const std::string& subject) {
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == id);
  CHECK(found[0].subject == subject);
  CHECK_FALSE(found[0].next_step.empty());
  CHECK_FALSE(found[0].evidence.empty());
}

}  // namespace

TEST_CASE("streams of one unit alone lose on its own link") {
  const auto found = Seen().healthy({stream("h2"), stream("y1"), stream("y2"), stream("s1"), stream("s1", "b")})
                         .stream_lost(stream("h1"), 0.02).stream_lost(stream("h1", "b"), 0.02).places();
  check_one(found, "loss_access", "camera/h1");
  CHECK(found[0].sentence == "h1 loses 2 % of the packets on its own link, port p1 of hall: only its streams lose, those of other units do not");
  CHECK(found[0].concerns.size() == 2);
}

TEST_CASE("all streams that share an uplink, those of switches behind it too, and none else: the uplink") {
  const auto found = Seen().healthy({stream("h1"), stream("h1", "b"), stream("h2")}).stream_lost(stream("y1"), 0.02).stream_lost(stream("y2"), 0.03)
                         .stream_lost(stream("s1"), 0.02).stream_lost(stream("s1", "b"), 0.02).places();
  check_one(found, "loss_uplink", "switch/yard/uplink/up");
  CHECK(found[0].sentence.find("s1, y1, y2 lose 2 % to 3 % of the packets on the uplink from yard (port up) to hall") == 0);
}

TEST_CASE("one unit alone behind an uplink: it cannot be told which, unless one of the ports counts errors") {
  auto seen = Seen().healthy({stream("h1"), stream("h2"), stream("y1"), stream("y2")}).stream_lost(stream("s1"), 0.02).stream_lost(stream("s1", "b"), 0.02);
  auto found = seen.places();
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "loss_between");
  CHECK(found[0].sentence.find("its own link, port p1 of pole, or on the uplink from pole (port up) to yard") != std::string::npos);
  seen.counted("switch/pole/uplink/up", "new_in_errors", 12).counted("camera/s1", "new_in_errors", 0);
  found = seen.places();
  check_one(found, "loss_uplink", "switch/pole/uplink/up");
  const auto counted = [](const auto& e) { return e.find("12 receive errors in 1 min 0 s") != std::string::npos; };
  CHECK(std::any_of(found[0].evidence.begin(), found[0].evidence.end(), counted));
}

TEST_CASE("all lose: the link that all share; two that lose apart are told apart") {
  Seen all;
  for (const auto& s : {stream("h1"), stream("h1", "b"), stream("h2"), stream("y1"), stream("y2"), stream("s1"), stream("s1", "b")}) all.stream_lost(s, 0.01);
  check_one(all.places(), "loss_entry", "switch/hall");
  const auto two = Seen().healthy({stream("h2"), stream("y2"), stream("s1"), stream("s1", "b")}).stream_lost(stream("h1"), 0.02)
                       .stream_lost(stream("h1", "b"), 0.02).stream_lost(stream("y1"), 0.02).places();
  REQUIRE(two.size() == 2);
  CHECK((two[0].subject == "camera/h1" && two[1].subject == "camera/y1"));
}

TEST_CASE("a stream whose sibling on the same links loses nothing is placed nowhere") {
  CHECK(Seen().healthy({stream("h1", "b"), stream("h2"), stream("y1")}).stream_lost(stream("h1"), 0.02).places().empty());
}

TEST_CASE("who has too few packets to show the loss, or repairs it, clears nothing") {
  // 2 % of 43 packets: less than one expected. TCP repairs.
  const auto found = Seen().healthy({stream("y1")}).stream_lost(stream("h1"), 0.02).stream_lost(stream("h1", "b"), 0, "udp", 5e4)
                         .stream_lost(stream("h2"), 0, "tcp").places();
  check_one(found, "loss_access", "camera/h1");
}

TEST_CASE("what is missing inside TCP was left out by the unit, what this machine dropped is its own") {
  check_one(Seen().healthy({stream("h2")}).stream_lost(stream("h1"), 0.02, "tcp").places(), "loss_in_unit", "camera/h1");
  const auto here = Seen().healthy({stream("h2")}).stream_lost(stream("h1"), 0.02).counted(stream("h1"), "dropped_here_packets", 68).places();
  check_one(here, "loss_here", "this_machine");
  CHECK(here[0].sentence.find("no room for 68 packets") != std::string::npos);
}

TEST_CASE("streams of few packets clear a link together") {
  Seen seen;
  // 1 % of 128 packets is one; five units together would have lost six.
  for (const auto& s : {stream("h2"), stream("y1"), stream("y2"), stream("s1"), stream("s1", "b")}) seen.stream_lost(s, 0, "udp", 15e4);
  seen.stream_lost(stream("h1"), 0.01).stream_lost(stream("h1", "b"), 0.01);
  check_one(seen.places(), "loss_access", "camera/h1");
}

TEST_CASE("a site that loses nothing above the limit has no place of loss") {
  CHECK(Seen().healthy({stream("h1"), stream("y1")}).stream_lost(stream("h2"), 0.0005).places().empty());
}
