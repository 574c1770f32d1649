// What a sheet takes from the record, and who may witness what.
#include "config/loader.hpp"
#include "config/witness_points.hpp"
#include "daemon/sheet/gather.hpp"
#include "daemon/sheet/sheet.hpp"
#include "daemon/sheet/witnessed.hpp"

#include <catch2/catch.hpp>

#include <algorithm>
#include <fstream>
#include <set>

using namespace tallywire;
using nlohmann::json;

namespace {

config::Design depot() { return *config::load_design(std::string(TALLYWIRE_SOURCE_DIR) + "/config/sites/tram-depot.json").design; }

json depot_text() {
  std::ifstream in(std::string(TALLYWIRE_SOURCE_DIR) + "/config/sites/tram-depot.json");
  return json::parse(in);
}

std::int64_t keep(record::Record& record, const config::Design& design, const char* kind, const char* state, const std::vector<std::string>& findings) {
  record::RoundHead head;
  head.kind = kind;
  head.site = design.site.name;
  head.design_sha256 = design.sha256;
  head.started = now_utc();
  const auto id = *record.begin_round(head);
  json document = {{"kind", kind}, {"site", head.site}, {"design_sha256", head.design_sha256}, {"started", to_rfc3339(head.started)}, {"verdicts",
      json::array()},
                   {"roll", {{{"camera", design.cameras[0].id}, {"presence", "arrived"}}}}, {"findings", json::array()}, {"counts", {{"met", 1}}}};
  for (const auto& f : findings) document["findings"].push_back({{"id", f}, {"subject", "camera/x"}, {"sentence", f}});
  if (std::string(state) != "running") REQUIRE(record.end_round(id, state, document).has_value());
  return id;
}

json gathered(record::Record& record, const config::Design& design, std::optional<std::int64_t> round = {}) {
  auto data = sheet::gather(record, design, {round, "A. Tester", now_utc()});
  REQUIRE(data.has_value());
  return *data;
}

std::vector<std::string> closed(const json& data) {
  std::vector<std::string> out;
  for (const auto& f : data.at("closed_findings")) out.push_back(f.at("id"));
  return out;
}

}  // namespace

TEST_CASE("findings are closed against the rounds since the accepted one, else against the one before") {
  const auto design = depot();
  auto record = std::move(*record::Record::open(":memory:"));
  CHECK(!sheet::gather(*record, design, {{}, "", now_utc()}).has_value());
  keep(*record, design, "round", "complete", {"old"});
  const auto second = keep(*record, design, "round", "complete", {"a", "b"});
  CHECK(closed(gathered(*record, design)) == std::vector<std::string>{"old"});
  const auto third = keep(*record, design, "night", "complete", {"b", "c"});
  keep(*record, design, "prove", "complete", {"only-of-a-unit"});
  keep(*record, design, "round", "cancelled", {"never-ended"});
  CHECK(closed(gathered(*record, design)) == std::vector<std::string>{"a"});
  REQUIRE(record->accept_round(second, "B. Customer", now_utc()).has_value());
  const auto last = keep(*record, design, "round", "complete", {"c"});
  const auto data = gathered(*record, design);
  CHECK(data.at("compared_with") == json({second, third}));
  CHECK(closed(data) == std::vector<std::string>{"b", "a"});
  CHECK(data.at("closed_findings")[0].at("last_round") == third);
  CHECK(data.at("round").at("round") == last);
  CHECK(gathered(*record, design, second).at("accepted").at("by") == "B. Customer");
  CHECK(sheet::check(sheet::render(data))->verdict == sheet::Verdict::confirmed);
  // What the record answers later has the same sum, whoever accepts it meanwhile.
  REQUIRE(record->accept_round(last, "B. Customer", now_utc()).has_value());
  CHECK(sheet::round_sum(**record->round_document(last)) == data.at("round_sha256"));
}

TEST_CASE("a finding is closed only where the newer round measured") {
  const auto design = depot();
  auto record = std::move(*record::Record::open(":memory:"));
  record::RoundHead head;
  head.kind = "round";
  head.started = now_utc();
  const auto put = [&](const char* state, const std::vector<std::string>& findings_at, const std::vector<std::string>& unread_at) {
    json document = {{"kind", "round"}, {"verdicts", json::array()}, {"findings", json::array()}, {"counts", {{"met", 1}}}};
    for (const auto& subject : findings_at) document["findings"].push_back({{"id", "f"}, {"subject", subject}, {"sentence", "of " + subject}});
    document["verdicts"].push_back({{"subject", "camera/e"}, {"quantity", "q"}, {"verdict", "met"}});
    for (const auto& subject : unread_at) document["verdicts"].push_back({{"subject", subject}, {"quantity", "q"}, {"verdict", "unread"}, {"reason", "r"}});
    const auto id = *record->begin_round(head);
    REQUIRE(record->end_round(id, state, document).has_value());
    return id;
  };
  const auto subjects = [](const json& findings) {
    std::set<std::string> out;
    for (const auto& f : findings) out.insert(f.at("subject"));
    return out;
  };
  put("complete", {"camera/a", "camera/b/head/1", "camera/c", "camera/cc", "camera/e"}, {});
  // At it, above it, below it; camera/cc only begins with the same letters.
  put("complete", {}, {"camera/a", "camera/b", "camera/c/head/1/stream/main"});
  const auto data = gathered(*record, design);
  CHECK(subjects(data.at("closed_findings")) == std::set<std::string>{"camera/cc", "camera/e"});
  CHECK(subjects(data.at("gone_but_unread")) == std::set<std::string>{"camera/a", "camera/b/head/1", "camera/c"});
  const auto page = sheet::render(data);
  CHECK(page.find("<h3>Closed: 2 ") != std::string::npos);
  CHECK(page.find("<h3>Gone, but not told as closed: 3 ") != std::string::npos);
  CHECK(page.find("of camera/b/head/1.</b>") != std::string::npos);
  CHECK(sheet::check(page)->verdict == sheet::Verdict::confirmed);
  for (const char* state : {"cancelled", "broken_off"}) {
    const auto cut = gathered(*record, design, put(state, {}, {}));
    CHECK(cut.at("closed_findings").empty());
    CHECK(cut.at("gone_but_unread").empty());
    CHECK(sheet::render(cut).find("none are told: this round did not come to its end") != std::string::npos);
  }
}

TEST_CASE("a sheet of some units holds these and nothing else") {
  const auto design = depot();
  auto record = std::move(*record::Record::open(":memory:"));
  keep(*record, design, "round", "complete", {"a"});
  const auto data = gathered(*record, design, keep(*record, design, "prove", "complete", {}));
  CHECK(data.at("compared_with").empty());
  CHECK(data.at("closed_findings").empty());
  const auto unit = "camera/" + design.cameras[0].id;
  std::size_t of_unit = 0;
  for (const auto& point : data.at("witness_points")) of_unit += (point.at("subject").get<std::string>() + "/").rfind(unit + "/", 0) == 0;
  CHECK(of_unit == data.at("witness_points").size());
  CHECK(of_unit == 4 + design.cameras[0].heads.size());
  CHECK(sheet::render(data).find("about some units only") != std::string::npos);
  CHECK(sheet::render(data).find("All that the design asks of these units was measured and met.") != std::string::npos);
  CHECK(sheet::render(data).find("told for whole rounds only") != std::string::npos);
  CHECK(sheet::render(data).find("there is no earlier whole round") == std::string::npos);
}

TEST_CASE("what cannot be a sheet is told") {
  const auto design = depot();
  auto record = std::move(*record::Record::open(":memory:"));
  const auto running = keep(*record, design, "round", "running", {});
  const auto fault = [&](std::optional<std::int64_t> round, const std::string& by) {
    const auto out = sheet::gather(*record, design, {round, by, now_utc()});
    REQUIRE(!out.has_value());
    CHECK(out.error().kind == FaultKind::bad_request);
    return out.error().what;
  };
  CHECK(fault(running, "") == "the round still runs");
  CHECK(fault(77, "") == "the record has no such round");
  CHECK(fault({}, "  ") == "nobody is named");
  CHECK(fault({}, "A. Tester ") == "the name begins or ends with a blank");
  CHECK(fault({}, "A\nB") == "the name holds a character that is not seen");
  CHECK(fault({}, std::string(201, 'x')) == "the name is longer than 200 octets");
}

TEST_CASE("a design that has changed since is not drawn") {
  auto design = depot();
  auto record = std::move(*record::Record::open(":memory:"));
  keep(*record, design, "round", "complete", {});
  design.sha256 = std::string(64, '0');
  const auto data = gathered(*record, design);
  CHECK(data.at("design").is_null());
  CHECK(sheet::render(data).find("the design has changed since this round") != std::string::npos);
}

TEST_CASE("each point of the design is due once for each subject that it is for") {
  const auto design = depot();
  const auto text = depot_text();
  std::size_t heads = 0, units = text.at("cameras").size(), by_hand = 0;
  for (const auto& camera : text.at("cameras")) {
    heads += camera.at("heads").size();
    by_hand += camera.value("power_source", "switch_port") != "switch_port";
  }
  const auto due = config::witness_points_due(design);
  CHECK(due.size() == units * 4 + heads + by_hand);
  auto listed = text;
  listed["witness_points"] = json::array();
  CHECK(config::witness_points_due(*config::parse_design(listed.dump(), "x").design).empty());
  listed["witness_points"] = {{{"id", "tidy"}, {"text", "site left clean"}, {"for", "site"}}, {{"id", "earth"}, {"text", "bonded"}, {"for", "switch"}},
                              {{"id", "supply"}, {"text", "rated"}, {"for", "unit"}, {"fed_by", {"switch_port"}}}};
  CHECK(config::witness_points_due(*config::parse_design(listed.dump(), "x").design).size() == 1 + text.at("switches").size() + units - by_hand);
  for (const auto& [key, wrong] : {std::pair<const char*, json>{"id", "a b"}, {"for", "roof"}, {"text", ""}, {"text", std::string(201, 'x')}, {"fed_by",
      {"sun"}}}) {
    auto bad = listed;
    bad["witness_points"][2][key] = wrong;
    CHECK_FALSE(config::parse_design(bad.dump(), "x").design);
  }
  auto twice = listed;
  twice["witness_points"].push_back(listed["witness_points"][0]);
  CHECK_FALSE(config::parse_design(twice.dump(), "x").design);
}

TEST_CASE("a witness is held against the design") {
  const auto design = depot();
  const auto subject = "camera/" + design.cameras[0].id;
  std::vector<record::Witness> said;
  const auto tell = [&](const json& changes) {
    json sent = {{"subject", subject}, {"point", "lanyard"}, {"by", "A. Tester"}};
    sent.update(changes);
    return sheet::witness_of(design, said, sent, now_utc());
  };
  CHECK(tell(json::object()).has_value());
  const auto refused = [&](const json& changes, const std::string& what) {
    const auto out = tell(changes);
    REQUIRE(!out.has_value());
    CHECK(out.error().kind == FaultKind::bad_request);
    CHECK(out.error().what.find(what) != std::string::npos);
    return out.error().try_next;
  };
  CHECK(refused({{"point", "roof"}}, "no such point").find("lanyard, glands, dome, label") != std::string::npos);
  CHECK(refused({{"subject", "camera/nobody"}}, "nothing is to be witnessed").find(subject) != std::string::npos);
  refused({{"subject", subject + "/head/1"}}, "no such point");
  refused({{"by", ""}}, "nobody is named");
  for (const char* blank : {" ", "  ", "\t \n", "\xc2\xa0", " \xe3\x80\x80 "}) {  // U+00A0, U+3000: Unicode, category Zs
    refused({{"by", blank}}, "nobody is named");
  }
  refused({{"by", " A. Tester"}}, "begins or ends with a blank");
  refused({{"by", "A. Tester "}}, "begins or ends with a blank");
  refused({{"by", "A. Tester\xc2\xa0"}}, "begins or ends with a blank");
  refused({{"by", 5}}, "nobody is named");
  refused({{"by", "A\x1b[2J"}}, "not seen");
  refused({{"by", "A \xe2\x80\xae" "B"}}, "not seen");
  refused({{"by", std::string(201, 'x')}}, "longer than 200");
  refused({{"note", std::string(2001, 'x')}}, "longer than 2000");
  refused({{"note", "a\nb"}}, "not seen");
  refused({{"undone", "yes"}}, "neither true nor false");
  refused({{"undone", true}}, "nothing to take back");
  said.push_back(*tell(json::object()));
  said.push_back(*tell({{"undone", true}, {"note", "the hook was open"}}));
  refused({{"undone", true}}, "nothing to take back");
  const auto points = sheet::witness_points(design, said);
  const auto point = std::find_if(points.begin(), points.end(), [&](const json& p) { return p.at("subject") == subject && p.at("point") == "lanyard"; });
  CHECK(point->at("witnessed").is_null());
  CHECK(point->at("undone").at("note") == "the hook was open");
  said.push_back(*tell({{"by", "B. Second"}}));
  CHECK(sheet::witness_points(design, said)[static_cast<std::size_t>(point - points.begin())].at("witnessed").at("by") == "B. Second");
}
