#include "daemon/verdict/findings.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using namespace tallywire::verdict;

namespace {

const SystemTime noon = from_rfc3339("2026-11-25T12:00:00.000Z");

Verdict missed(const std::string& subject, const std::string& quantity, double value, double promised) {
  Target t{subject, quantity, Relation::at_most, {}, promised, {}, promised, 0, "promised"};
  return {t, read_number(subject, quantity, value, "", noon), Kind::missed, {}, ""};
}

}  // namespace

TEST_CASE("a slow port is told with the pairs to look at") {
  const auto found = find_causes({missed("camera/gate", "link_speed_bps", 1e8, 1e9)}, {});
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "port_slow");
  CHECK(found[0].sentence == "gate is linked at 100 Mbit/s, the design wants 1000 Mbit/s");
  // Pairs of 1000BASE-T and 100BASE-TX: IEEE 802.3 clauses 40 and 25; check-values section 16.
  CHECK(found[0].next_step.find("1-2, 3-6, 4-5 and 7-8") != std::string::npos);
}

TEST_CASE("a clock nine minutes off is told in minutes, with its direction") {
  const auto found = find_causes({missed("camera/gate", "clock_offset_s", -540, 2)}, {});
  REQUIRE(found.size() == 1);
  CHECK(found[0].sentence == "gate has a clock that is 9 minutes behind");
}

TEST_CASE("what is met, tight or unread points to no cause") {
  auto v = missed("camera/gate", "clock_offset_s", 1, 2);
  v.reason = "the unit did not answer";
  for (const auto kind : {Kind::met, Kind::tight, Kind::unread}) {
    v.kind = kind;
    CHECK(find_causes({v}, {}).empty());
  }
}

TEST_CASE("a stranger is a finding with its port") {
  const auto found = find_causes({}, {{"02:00:5e:10:00:99", "198.51.100.99", noon, "sw-yard/p7"}});
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "stranger");
  CHECK(found[0].sentence.find("sw-yard/p7") != std::string::npos);
}

TEST_CASE("a refused login is told once for a unit, however many targets it leaves unread") {
  std::vector<Verdict> verdicts;
  for (const char* q : {"codec", "payload_bps"}) {
    const std::string subject = "camera/gate/head/1/stream/main";
    const auto reading = unread(subject, q, "login refused by 198.51.100.31", noon);
    verdicts.push_back(judge({subject, q, Relation::at_most, {}, 1.0, {}, {}, 0, ""}, reading));
  }
  const auto found = find_causes(verdicts, {});
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "login_refused");
  CHECK(found[0].subject == "camera/gate");
}

namespace {

const std::string stream = "camera/gate/head/1/stream/main";

Reading told(const std::string& quantity, double value, double uncertainty = 0) {
  return read_number(stream, quantity, value, "ONVIF media 2, profile p", noon, {}, uncertainty);
}

// What is sent, with one thing that the unit says of it.
std::vector<Finding> found_with(Reading said) {
  return find_not_as_told({read_word(stream, "codec", "H265", "SDP", noon), told("width_px", 1920), told("height_px", 1080),
                           told("frame_rate_hz", 12.5, 0.01), told("payload_bps", 4e6), told("gop_frames", 25), std::move(said)},
                          config::Limits{});
}

}  // namespace

TEST_CASE("a stream that is not as its unit says is one finding with a piece of evidence for each difference") {
  const auto found = find_not_as_told({read_word(stream, "codec", "H264", "SDP", noon), told("frame_rate_hz", 12.5),
                                       read_word(stream, "told_codec", "H265", "ONVIF media 2, profile p", noon),
                                       told("told_frame_rate_hz", 25)},
                                      config::Limits{});
  REQUIRE(found.size() == 1);
  CHECK(found[0].id == "stream_not_as_told");
  CHECK(found[0].subject == stream);
  CHECK(found[0].sentence == "gate, head 1, stream main sends another stream than the unit says it is set to: codec H264, "
                             "the unit says H265");
  REQUIRE(found[0].evidence.size() == 2);
  CHECK(found[0].evidence[1] == "frame rate: measured 12.5 frames/s, the unit says 25 frames/s (ONVIF media 2, profile p)");
  CHECK_FALSE(found[0].next_step.empty());
}

TEST_CASE("what a unit says is held with the design's tolerances and with both uncertainties") {
  CHECK(found_with(read_word(stream, "told_codec", "H265", "", noon)).empty());
  CHECK(found_with(read_word(stream, "told_codec", "JPEG", "", noon)).size() == 1);
  CHECK(found_with(told("told_width_px", 1920)).empty());
  CHECK(found_with(told("told_width_px", 1280)).size() == 1);
  CHECK(found_with(told("told_height_px", 720)).size() == 1);
  // frame_rate_tolerance_ratio 0.05 of what is told, either way; version 1 tells whole frames (onvif.xsd, an int).
  CHECK(found_with(told("told_frame_rate_hz", 13)).empty());
  CHECK(found_with(told("told_frame_rate_hz", 14)).size() == 1);
  CHECK(found_with(told("told_frame_rate_hz", 10)).size() == 1);
  CHECK(found_with(told("told_frame_rate_hz", 14, 1)).empty());
  // A limit: below it nothing is wrong; bit_rate_over_ratio 0.1 above it is.
  CHECK(found_with(told("told_bit_rate_bps", 8e6)).empty());
  CHECK(found_with(told("told_bit_rate_bps", 3.7e6)).empty());
  CHECK(found_with(told("told_bit_rate_bps", 3.6e6)).size() == 1);
  CHECK(found_with(told("told_gop_frames", 25.5)).empty());
  CHECK(found_with(told("told_gop_frames", 50)).size() == 1);
}

TEST_CASE("what is unread on either side, or of another stream, says nothing; the last reading counts") {
  CHECK(found_with(unread(stream, "told_codec", "the unit does not tell", noon)).empty());
  CHECK(find_not_as_told({unread(stream, "codec", "not metered", noon), read_word(stream, "told_codec", "H264", "", noon)}, {}).empty());
  CHECK(find_not_as_told({read_word("camera/other/head/1/stream/main", "codec", "H265", "", noon),
                          read_word(stream, "told_codec", "H264", "", noon)}, {}).empty());
  CHECK(find_not_as_told({read_word(stream, "codec", "H265", "", noon), read_word(stream, "told_codec", "H264", "", noon),
                          read_word(stream, "codec", "H264", "", noon)}, {}).empty());
}
