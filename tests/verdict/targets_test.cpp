#include "daemon/verdict/targets.hpp"

#include "daemon/verdict/findings.hpp"
#include "daemon/verdict/routes.hpp"

#include <catch2/catch.hpp>

#include <algorithm>

using namespace tallywire;
using namespace tallywire::verdict;

namespace {

config::Stream stream(const char* id, std::uint64_t bps, config::RateMode mode) {
  config::Stream s;
  s.id = id;
  s.codec = "H264";
  s.width_px = 1920;
  s.height_px = 1080;
  s.frame_rate_hz = 25;
  s.bit_rate_bps = bps;
  s.rate_mode = mode;
  s.gop_frames = 25;
  return s;
}

config::Design small_site() {
  config::Design d;
  d.switches = {{"hall", "", "198.51.100.2", {}, {"p1"}, {}, {}}};
  config::Camera camera;
  camera.id = "gate";
  camera.switch_id = "hall";
  camera.port = "p1";
  camera.link_speed_bps = 1'000'000'000;
  camera.power_class = 4;
  camera.heads = {{"1", "", {stream("main", 4'000'000, config::RateMode::constant),
                             stream("view", 1'000'000, config::RateMode::capped)}}};
  d.cameras = {camera};
  config::Recorder rec{"rec", "", "198.51.100.10", "hall", "p9", {}};
  rec.volumes = {{"main", "/srv/video", false, 48e12, 20, {"gate/1/main", "gate/1/view"}}};
  d.recorders = {rec};
  return d;
}

const Target& find(const std::vector<Target>& targets, const std::string& subject,
                   const std::string& quantity) {
  const auto at = std::find_if(targets.begin(), targets.end(), [&](const Target& t) {
    return t.subject == subject && t.quantity == quantity;
  });
  REQUIRE(at != targets.end());
  return *at;
}

}  // namespace

TEST_CASE("the tolerances of the design become limits") {
  const auto targets = targets_of(small_site(), {});
  const auto& rate = find(targets, "camera/gate/head/1/stream/main", "frame_rate_hz");
  CHECK(*rate.low == Approx(23.75));
  CHECK(*rate.high == Approx(26.25));
  const auto& constant = find(targets, "camera/gate/head/1/stream/main", "payload_bps");
  CHECK(*constant.low == Approx(2e6));
  CHECK(*constant.high == Approx(4.4e6));
  const auto& capped = find(targets, "camera/gate/head/1/stream/view", "payload_bps");
  CHECK_FALSE(capped.low);
  CHECK(*capped.high == Approx(1.1e6));
  CHECK(*find(targets, "camera/gate", "port").word == "hall/p1");
}

TEST_CASE("a stream exactly as promised is met, not tight") {
  const auto targets = targets_of(small_site(), {});
  const auto noon = from_rfc3339("2026-11-25T12:00:00.000Z");
  for (const auto& t : targets) {
    if (!t.promised || t.relation == Relation::at_least || t.quantity == "loss_ratio" ||
        t.quantity == "jitter_ms")
      continue;
    CAPTURE(t.subject, t.quantity);
    CHECK(judge(t, read_number(t.subject, t.quantity, *t.promised, "", noon)).kind == Kind::met);
  }
}

TEST_CASE("a unit that is fed elsewhere owes the switch no power class") {
  auto design = small_site();
  design.cameras[0].power_source = config::PowerSource::injector;
  for (const auto& t : targets_of(design, {})) CHECK(t.quantity != "power_class");
}

TEST_CASE("the firmware that the design names must be the unit's, to the letter; without one nothing is asked") {
  auto design = small_site();
  for (const auto& t : targets_of(design, {})) CHECK(t.quantity != "firmware");
  design.cameras[0].firmware = "7.2.1";
  const auto targets = targets_of(design, {});
  const auto& target = find(targets, "camera/gate", "firmware");
  const auto noon = from_rfc3339("2026-11-25T12:00:00.000Z");
  CHECK(judge(target, read_word("camera/gate", "firmware", "7.2.1", "", noon)).kind == Kind::met);
  const auto other = judge(target, read_word("camera/gate", "firmware", "7.2.10", "", noon));
  CHECK(other.kind == Kind::missed);
  const auto found = find_causes({other}, {});
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "other_firmware");
  CHECK(found[0].sentence == "gate runs firmware 7.2.10, the design says 7.2.1");
}

TEST_CASE("proving one unit asks nothing of volumes, uplinks or the path") {
  for (const auto& t : targets_of(small_site(), {"gate"})) CHECK(t.subject.rfind("camera/gate", 0) == 0);
}

TEST_CASE("a volume must take what its streams write, with the reserve inside which it is tight") {
  const auto design = small_site();
  const auto targets = targets_of(design, {});
  const auto& write = find(targets, "recorder/rec/volume/main", "sustained_write_bytes_per_s");
  CHECK(*write.low == Approx(625'000));
  CHECK(write.reserve == Approx(125'000));
}

TEST_CASE("a route takes the fewest links, and none where nothing joins") {
  const std::vector<Link> links = {{"a-b", 1, "a", "b"}, {"b-c", 1, "b", "c"}, {"a-c", 1, "a", "c"},
                                   {"c-core", 1, "c", "core"}};
  CHECK(route(links, "a", "core") == std::vector<std::size_t>{2, 3});
  CHECK(route(links, "a", "a").empty());
  CHECK(route(links, "a", "nowhere").empty());
}
