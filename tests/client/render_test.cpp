#include "daemon/client/render.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace tallywire::client;
using nlohmann::json;

namespace {

json verdict(const char* subject, const char* quantity, const char* kind, json value, const char* reason) {
  return {{"subject", subject}, {"quantity", quantity}, {"verdict", kind}, {"reason", reason},
          {"target", {{"text", "15 frames/s, 5 % either way"}}}, {"reading", {{"value", value}}}};
}

json round_of(json verdicts) {
  return {{"round", 7}, {"site", "Tram depot"}, {"state", "complete"}, {"roll", json::array()}, {"strangers", json::array()},
          {"verdicts", std::move(verdicts)}, {"findings", json::array()}, {"headroom", json::array()},
          {"counts", {{"met", 3}, {"tight", 0}, {"missed", 1}, {"unread", 2}}}};
}

bool has(const std::string& text, const char* part) { return text.find(part) != std::string::npos; }

}  // namespace

TEST_CASE("a round tells what is missed with target and reading, and a reason once for all that it hides") {
  const auto text = render_round(round_of(json::array({
      verdict("camera/workshop/head/1/stream/main", "frame_rate_hz", "missed", 9, "9 is below 14.25"),
      verdict("camera/wash-bay/head/1/stream/main", "codec", "unread", nullptr, "the unit is not there"),
      verdict("camera/wash-bay/head/1/stream/main", "frame_rate_hz", "unread", nullptr, "the unit is not there")})));
  CHECK(has(text, "missed  workshop, head 1, stream main  frame rate  9 frames/s  target: 15 frames/s, 5 % either way"));
  CHECK(has(text, "unread  2 targets  wash-bay: the unit is not there"));
  CHECK(has(text, "3 met, 0 tight, 1 missed, 2 unread."));
}

TEST_CASE("columns stand under each other, whatever letters the names have") {
  const auto text = render_roll({{"cameras", json::array({{{"camera", "tür"}, {"presence", "lost"}}, {{"camera", "tor"}, {"presence", "lost"}}})},
                                 {"strangers", json::array()}});
  std::vector<std::size_t> columns;
  for (std::size_t at = text.find("t"); at < text.size(); at = text.find('\n', at) + 1) {
    const auto line = text.substr(at, text.find('\n', at) - at);
    if (const auto found = line.find("lost"); found != std::string::npos)
      columns.push_back(found - static_cast<std::size_t>(line.find("tür") != std::string::npos));  // ü has two octets
  }
  REQUIRE(columns.size() == 2);
  CHECK(columns[0] == columns[1]);
}

TEST_CASE("fields that were not read are told with their reason") {
  const auto text = render_fields({{"codec", "H264"}, {"frame_rate_hz", nullptr}, {"unread", {{"frame_rate_hz", "one frame came"}}},
                                   {"findings", {"the time stamps stand still"}}});
  CHECK(has(text, "unread: one frame came"));
  CHECK(has(text, "  - the time stamps stand still"));
}

TEST_CASE("commands whose work can hurt someone bring their cautions") {
  CHECK(has(cautions_of("round"), "work at height"));
  CHECK(has(cautions_of("path"), "only networks you are asked to"));
  CHECK(cautions_of("design check").empty());
}
