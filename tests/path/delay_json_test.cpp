#include "probes/path/delay.hpp"
#include "tests/path/made_session.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <set>

using namespace tallywire;
using namespace tallywire::path;
using nlohmann::json;
using tallywire::test::MadeSession;

namespace {

// Every null has its reason under its own name or under that of its group ("one_way_ms" for one_way_median_ms).
std::vector<std::string> nulls_without_reason(const json& part) {
  std::vector<std::string> out;
  for (const auto& [key, value] : part.items()) {
    if (!value.is_null()) continue;
    bool told = false;
    for (const auto& [field, reason] : part.at("unread").items()) {
      const auto stem = field.size() > 3 && field.ends_with("_ms") ? field.substr(0, field.size() - 3) : field;
      told = told || key == field || key.starts_with(stem);
    }
    if (!told) out.push_back(key);
  }
  return out;
}

}  // namespace

TEST_CASE("the answer has every field, with null and the reason where it could not be read") {
  MadeSession bad;
  bad.here = clock_quality_of(5, 0, 1, 1);
  bad.packets = 50;
  bad.to = [](std::uint32_t n) { return n % 7 == 0 ? std::vector<double>{} : std::vector<double>{2 + (n % 5) * 20.0}; };
  MadeSession silent;
  silent.to = [](std::uint32_t) { return std::vector<double>{}; };
  silent.tells_count = silent.is_tallywire = false;
  std::set<std::string> keys;
  for (const auto& made : {MadeSession{}, bad, silent}) {
    const json answer = delay_report_of(made.run());
    for (const auto* way : {"to", "from"}) CHECK(nulls_without_reason(answer.at(way)) == std::vector<std::string>{});
    std::set<std::string> these;
    for (const auto& [key, value] : answer.items()) these.insert(key);
    if (keys.empty()) keys = these;
    CHECK(these == keys);
  }
}

TEST_CASE("figures stand under keys that end in their units") {
  MadeSession made;
  made.to = [](std::uint32_t n) { return n == 20 ? std::vector<double>{67} : n == 30 ? std::vector<double>{} : std::vector<double>{2}; };
  const json answer = delay_report_of(made.run());
  CHECK(answer.at("sent_packets") == 250);
  CHECK(answer.at("lost_packets") == 1);
  CHECK(answer.at("loss_ratio") == 1.0 / 250);
  CHECK(answer.at("round_trip_min_ms").get<double>() == Approx(5));
  CHECK(answer.at("to").at("reordered_packets") == 1);
  CHECK(answer.at("to").at("reordering").at("extent").at("max_packets") == 3);
  CHECK(answer.at("to").at("reordering").at("n_reordered_packets") == json({{"1", 1}, {"2", 1}, {"3", 1}}));
  CHECK(answer.at("to").at("reordering").at("late_max_ms").get<double>() == Approx(45));
  CHECK(answer.at("loss").at("period").at("count") == 1);
  CHECK(answer.at("loss").at("period").at("max_packets") == 1);
  CHECK(answer.at("from").at("variation_max_ms").get<double>() == Approx(0).margin(1e-4));
  CHECK(answer.at("reflector_counts") == true);
}

TEST_CASE("readings carry method, duration and uncertainty, and are unread with the reason") {
  auto in = MadeSession{}.run();
  in.reflector->lags_100ns.assign(250, 10);
  for (auto& s : in.sent) s.lag_ns = 20'000;
  auto readings = to_readings(delay_report_of(in), "far_end");
  CHECK(readings.size() == 12);
  for (const auto& r : readings) {
    CHECK(r.is_read());
    CHECK(r.method.find("STAMP (RFC 8762), unauthenticated, 44 octets at 50 a second") == 0);
    CHECK(r.over == std::chrono::seconds(5));
  }
  CHECK(readings[1].quantity == "round_trip_median_ms");
  CHECK(readings[1].uncertainty == 0.004);
  CHECK(readings[7].quantity == "to_one_way_median_ms");
  CHECK(readings[7].uncertainty == Approx(1.504));
  in.reflector->lags_100ns.clear();
  CHECK(to_readings(delay_report_of(in), "far_end")[1].uncertainty == Approx(0.02));

  DelayInput nothing;
  nothing.sent.resize(5);
  nothing.gave_up = true;
  for (const auto& r : to_readings(delay_report_of(nothing), "far_end"))
    if (r.quantity != "packet_loss_ratio") {
      CHECK_FALSE(r.is_read());
      CHECK(r.unread.find("did not answer 5 packets") != std::string::npos);
    }
}
