#include "daemon/verdict/one_cause.hpp"
#include "daemon/verdict/open_door.hpp"
#include "daemon/verdict/stream_settings.hpp"
#include "daemon/verdict/where.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using namespace tallywire::verdict;

namespace {

const SystemTime noon = from_rfc3339("2026-11-25T12:00:00.000Z");
const std::string gate = "camera/gate", stream = "camera/gate/head/1/stream/main";

Finding found(const std::string& id, const std::string& subject, std::vector<std::string> concerns = {}) {
  return {id, subject, id + " of " + subject, "", {}, std::move(concerns)};
}

std::vector<std::string> ids(const std::vector<Finding>& findings) {
  std::vector<std::string> out;
  for (const auto& f : findings) out.push_back(f.id);
  return out;
}

Verdict missed(const std::string& quantity, ReadingValue sent, ReadingValue designed) {
  Target t{stream, quantity, Relation::equals, {}, {}, {}, {}, 0, "as designed"};
  if (const auto* word = std::get_if<std::string>(&designed)) t.word = *word;
  if (const auto* number = std::get_if<double>(&designed)) t.low = t.high = t.promised = *number;
  Reading r = read_word(stream, quantity, "", "", noon);
  r.value = std::move(sent);
  return {t, r, Kind::missed, {}, ""};
}

Reading told(const std::string& quantity, double value) { return read_number(stream, quantity, value, "ONVIF media 2", noon); }

config::Design design() {
  config::Design out;
  config::Camera camera;
  camera.id = "gate";
  camera.switch_id = "hall";
  camera.port = "p3";
  camera.login_secret = "cameras";
  camera.heads.push_back({});
  camera.heads[0].id = "1";
  camera.heads[0].streams.push_back({});
  camera.heads[0].streams[0].id = "main";
  out.cameras.push_back(camera);
  return out;
}

}  // namespace

TEST_CASE("what a cause explains is told as its evidence, whichever comes first") {
  const auto told_once = tell_once({found("stream_loss", stream), found("port_slow", gate), found("loss_access", gate, {stream}), found("link_dirty", gate),
                                    found("duplex_mismatch", gate), found("clock_off", gate)});
  CHECK(ids(told_once) == std::vector<std::string>{"link_dirty", "duplex_mismatch", "clock_off"});
  std::size_t followers = 0;
  for (const auto& f : told_once) followers += f.evidence.size();
  CHECK(followers == 2);  // what the loss of the link tells of its stream is not told again
}

TEST_CASE("another unit's fault, or another stream's, explains nothing here") {
  CHECK(tell_once({found("stream_loss", stream), found("link_dirty", "camera/gate-north"),
                   found("loss_uplink", "switch/yard/uplink/up", {"camera/other"})}).size() == 3);
}

TEST_CASE("swapped units, a replaced unit, one without power: the chain ends at its first cause") {
  const auto swapped = tell_once({found("wrong_port", gate), found("wrong_port", "camera/b"), found("other_unit", "camera/b"),
                                  found("stream_gop", "camera/b/head/1/stream/main"), found("units_swapped", "camera/a", {gate, "camera/b"})});
  CHECK(ids(swapped) == std::vector<std::string>{"units_swapped"});
  const std::string one = "stranger/02:00:00:00:00:01", other = "stranger/02:00:00:00:00:02";
  const auto replaced = tell_once({found("never_arrived", gate), found("stranger", one), found("stranger", other), found("other_unit_on_port", gate, {one})});
  CHECK(ids(replaced) == std::vector<std::string>{"stranger", "other_unit_on_port"});
  const auto starved = tell_once({found("never_arrived", gate), found("starts_again", gate), found("power_denied", gate), found("stream_loss", stream)});
  CHECK(ids(starved) == std::vector<std::string>{"power_denied"});
  CHECK(starved[0].evidence.size() == 3);
}

TEST_CASE("a setting that differs is told with what the unit says of it itself") {
  const config::Limits limits;
  auto f = find_stream_settings({missed("width_px", 1280.0, 1920.0), missed("height_px", 720.0, 1080.0)},
                                {told("told_width_px", 1280), told("told_height_px", 720)}, limits);
  REQUIRE(f.size() == 1);
  CHECK(f[0].id == "stream_other_size");
  CHECK(f[0].sentence == "gate, head 1, stream main sends another picture size than designed: 1280 pixels wide, 720 pixels high instead of 1920 pixels wide, "
                         "1080 pixels high; the unit itself says that it is set so");
  f = find_stream_settings({missed("frame_rate_hz", 12.5, 25.0)}, {told("told_frame_rate_hz", 25), told("frame_rate_hz", 12.5)}, limits);
  REQUIRE(f.size() == 1);  // and not a second time as stream_not_as_told
  CHECK(f[0].id == "stream_frame_rate");
  CHECK(f[0].sentence.find("the unit says that it is set otherwise, and does not send so") != std::string::npos);
  CHECK(f[0].next_step.find("slow shutter") != std::string::npos);
  f = find_stream_settings({missed("gop_frames", 50.0, 25.0)}, {}, limits);
  REQUIRE(f.size() == 1);
  CHECK(f[0].evidence[0].find("does not say") != std::string::npos);
}

TEST_CASE("several settings of one stream are one finding; fewer octets for want of frames are no setting") {
  const config::Limits limits;
  auto f = find_stream_settings({missed("codec", std::string("H264"), std::string("H265")), missed("gop_frames", 50.0, 25.0)}, {}, limits);
  REQUIRE(f.size() == 1);
  CHECK(f[0].id == "stream_set_otherwise");
  const char* both = "another codec and key-frame interval than designed: H264, a key frame every 50 frames instead of H265, a key frame every 25 frames";
  CHECK(f[0].sentence.find(both) != std::string::npos);
  f = find_stream_settings({missed("frame_rate_hz", 5.0, 25.0), missed("payload_bps", 1e6, 4e6)}, {}, limits);
  REQUIRE(f.size() == 1);
  CHECK(f[0].id == "stream_frame_rate");
  // As designed, and the unit says otherwise.
  f = find_stream_settings({}, {told("gop_frames", 25), told("told_gop_frames", 50)}, limits);
  REQUIRE(f.size() == 1);
  CHECK(f[0].id == "stream_not_as_told");
}

TEST_CASE("frames that were lost on the way are no setting, unless the unit says that it is set so") {
  const config::Limits limits;
  const auto lost = missed("loss_ratio", 0.04, 0.001);
  const std::vector<Reading> as_designed = {told("told_frame_rate_hz", 25), told("told_gop_frames", 25), told("frame_rate_hz", 23), told("gop_frames", 23),
                                            told("loss_ratio", 0.04)};
  CHECK(find_stream_settings({lost, missed("frame_rate_hz", 23.0, 25.0), missed("gop_frames", 23.0, 25.0)}, as_designed, limits).empty());
  const auto set = find_stream_settings({lost, missed("gop_frames", 10.0, 25.0)}, {told("told_gop_frames", 10)}, limits);
  REQUIRE(set.size() == 1);
  CHECK(set[0].id == "stream_gop");
  // A codec does not change by loss.
  CHECK(find_stream_settings({lost, missed("codec", std::string("H264"), std::string("H265"))}, {}, limits).size() == 1);
}

TEST_CASE("a unit that was asked for no login, though the design gives one, is an open door; one that asks is not") {
  auto site = design();
  const auto open = [&](const char* onvif, const char* rtsp) {
    return find_open_doors(site, {read_word(gate, "login", onvif, "ONVIF", noon), read_word(stream, "login", rtsp, "RTSP", noon)});
  };
  CHECK(open("asked", "asked").empty());
  REQUIRE(open("asked", "not asked").size() == 1);
  CHECK(open("asked", "not asked")[0].id == "open_door");
  CHECK(open("not asked", "not asked")[0].evidence.size() == 2);
  site.cameras[0].login_secret.reset();
  CHECK(open("not asked", "not asked").empty());
}

TEST_CASE("a finding of a unit names its port, once; of a unit that is away what the port says") {
  std::vector<Finding> all = {found("clock_off", gate), found("stream_gop", stream), found("never_arrived", gate), found("stranger", "stranger/x")};
  all.push_back({"loss_access", gate, "gate loses on port p3 of hall", "", {}});
  name_ports(all, design(), {read_word(gate, "link_state", "down", "", noon), read_word(gate, "power_state", "delivering power", "", noon)});
  CHECK(all[0].sentence == "clock_off of camera/gate (port p3 of hall)");
  CHECK(all[1].sentence == "stream_gop of camera/gate/head/1/stream/main (port p3 of hall)");
  CHECK(all[2].sentence == "never_arrived of camera/gate; it belongs on port p3 of hall, which has no link and the switch says of its power: delivering power");
  CHECK(all[3].sentence == "stranger of stranger/x");
  CHECK(all[4].sentence == "gate loses on port p3 of hall");
}
