// The page and its sum. SHA-256 after FIPS 180-4 (example of NIST: "abc"); UTF-8 after RFC 3629; what the page looks like on paper is in
// printed_test.py.
#include "daemon/sheet/html.hpp"
#include "daemon/sheet/sheet.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <random>

using namespace tallywire;
using nlohmann::json;

namespace {

json verdict_of(const std::string& subject, const std::string& quantity, const json& value, const char* verdict, const std::string& reason = "") {
  return {{"subject", subject}, {"quantity", quantity}, {"verdict", verdict}, {"margin_ratio", 0.25}, {"reason", reason},
          {"target", {{"text", "asked & drawn"}, {"relation", "between"}, {"low", 23.75}, {"high", 26.25}, {"reserve", 1}}},
          {"reading", {{"value", value}, {"uncertainty", 0.5}, {"when", "2026-11-25T12:00:00.000Z"}, {"over_s", 10.0}, {"method", value.is_null() ? ""
              : "by its own count"}}}};
}

json made_round() {
  return {{"round", 3}, {"kind", "round"}, {"state", "complete"}, {"site", "Depot"}, {"design_sha256", std::string(64, 'a')},
          {"started", "2026-11-25T12:00:00.000Z"}, {"ended", "2026-11-25T12:01:00.000Z"},
          {"roll", {{{"camera", "gate"}, {"presence", "wanting"}, {"address", "192.0.2.11"}, {"seen_on", "sw/1"}, {"reason", "1 target missed"}}}},
          {"strangers", {{{"hardware_address", "02:00:5e:10:00:99"}, {"address", "192.0.2.99"}, {"first_seen", "2026-11-25T12:00:00.000Z"}, {"name",
              "printer"}}}},
          {"verdicts", {verdict_of("camera/gate", "presence", "arrived", "met"), verdict_of("camera/gate/head/1/stream/main", "frame_rate_hz", 12.5,
              "missed", "12.5 is below 23.75"),
                        verdict_of("camera/gate/head/1/stream/main", "payload_bps", nullptr, "unread", "login refused"), verdict_of("switch/sw",
                            "worst_power_w", 25, "tight", "met, but inside the reserve of 1")}},
          {"findings", {{{"id", "stream_frame_rate"}, {"subject", "camera/gate/head/1/stream/main"}, {"sentence", "it sends 12.5 frames/s"}, {"next_step",
              "look"}, {"evidence", {"e"}}}}},
          {"headroom", {{{"uplink", "switch/sw/uplink/up"}, {"direction", "towards the core"}, {"speed_bps", 1e8}, {"ceiling_bps", 7e7}, {"designed_bps",
              4e7}, {"measured_bps", 3e7},
                         {"busiest_bps", 1.2e8}, {"streams", 4}, {"streams_measured", 4}, {"method", "sum"}}}},
          {"days_held", {{{"subject", "recorder/r/volume/main"}, {"days_held_days", 30.25}, {"uncertainty_days", 0.5}, {"days_to_hold_days", 30.0},
              {"capacity_bytes", 4e12},
                          {"rate_bytes_per_s", 1.5e6}, {"falls_short", "on_a_day"}, {"falls_short_on", "2027-03-01"}, {"method", "m"}}}},
          {"counts", {{"met", 1}, {"tight", 1}, {"missed", 1}, {"unread", 1}}}, {"exit_code", 1}};
}

json made_sheet(const std::string& hostile = "") {
  auto round = made_round();
  round["site"] = "Depot " + hostile;
  round["findings"][0]["sentence"] = "it says " + hostile;
  round["roll"][0]["seen_on"] = "sw/" + hostile;
  round["verdicts"].push_back(verdict_of("camera/gate", "serial", hostile, "missed", "is “" + hostile + "”"));
  round["strangers"][0]["name"] = hostile;
  return {{"format", sheet::data_format}, {"page_layout", sheet::page_layout}, {"tallywire", TALLYWIRE_VERSION}, {"made", {{"by", "A. Tester " + hostile},
      {"at", "2026-11-25T13:00:00.000Z"}}},
          {"design", {{"site", {{"name", "Depot"}, {"place", hostile}}},
                      {"switches", {{{"id", "sw"}, {"place", hostile}, {"ports", {"1", "2"}}, {"uplinks", {{{"id", "up"}, {"port", "2"}, {"to", "core"},
                          {"speed_mbps", 100}}}}}}},
                      {"cameras", {{{"id", "gate"}, {"place", hostile}, {"switch", "sw"}, {"port", "1"}, {"heads", {{{"id", "1"}, {"view", hostile},
                          {"streams", {{{"id", "main"}, {"use", "record"}}}}}}}}}}}},
          {"round", round}, {"round_sha256", sheet::round_sum(round)}, {"accepted", nullptr}, {"compared_with", {2}},
          {"closed_findings", {{{"id", "clock_off"}, {"subject", "camera/gate"}, {"sentence", "its clock was off"}, {"last_round", 2}, {"last_at",
              "2026-11-24T12:00:00.000Z"}}}},
          {"witness_points", {{{"subject", "camera/gate"}, {"point", "lanyard"}, {"text", "lanyard hooked"}, {"witnessed", {{"by", hostile}, {"at",
              "2026-11-25T12:30:00.000Z"}, {"note", hostile}}}, {"undone", nullptr}},
                              {{"subject", "camera/gate"}, {"point", "glands"}, {"text", "glands closed"}, {"witnessed", nullptr}, {"undone", nullptr}}}}};
}

std::size_t times(const std::string& text, const std::string& what) {
  std::size_t out = 0;
  for (auto at = text.find(what); at != std::string::npos; at = text.find(what, at + what.size())) ++out;
  return out;
}

std::string without_data(const std::string& page) { return page.substr(0, page.find("<script type=\"application/json\"")); }

}  // namespace

TEST_CASE("text of others comes out as text, and what is not seen is written out") {
  using sheet::escaped;
  CHECK(escaped("<script>alert('x')</script> & \"q\"") == "&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt; &amp; &quot;q&quot;");
  CHECK(escaped("a\xe2\x80\xae" "b") == "a⟨U+202E⟩b");       // right-to-left override (Unicode, UAX 9)
  CHECK(escaped("a\x1b[31m\x7f") == "a⟨U+001B⟩[31m⟨U+007F⟩");
  CHECK(escaped("\xef\xbb\xbfx\xe2\x80\x8b") == "⟨U+FEFF⟩x⟨U+200B⟩");
  CHECK(escaped("Größe 😀 中") == "Größe 😀 中");
  // RFC 3629 §3, §4 and §10: overlong, surrogate, beyond U+10FFFF, cut off, a lone continuation.
  for (const char* wrong : {"\xc0\x80", "\xed\xa0\x80", "\xf4\x90\x80\x80", "\xe2\x82", "\x80", "\xff"}) {
    const auto out = escaped(wrong);
    CHECK(out.find("\xef\xbf\xbd") == 0);
    CHECK(times(out, "\xef\xbf\xbd") * 3 == out.size());
  }
  CHECK(sheet::has_hidden("a\nb"));
  CHECK(sheet::has_hidden("a\xe2\x80\xae"));
  CHECK_FALSE(sheet::has_hidden("Dörte O’Neill"));
}

TEST_CASE("the sum is SHA-256, and the data's text is canonical and can stand in a page") {
  CHECK(sheet::sha256_of("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");  // NIST, FIPS 180-4 example
  CHECK(sheet::canonical({{"b", 1},
                          {"a", {1.5, nullptr, true, "</script>&\xe2\x80\xae"}}}) == R"({"a":[1.5,null,true,"\u003c/script\u003e\u0026\u202e"],"b":1})");
  const auto text = sheet::canonical(made_sheet("</script><b>"));
  CHECK(sheet::canonical(json::parse(text)) == text);
  CHECK(text.find('<') == std::string::npos);
}

TEST_CASE("every part of the data stands on the page") {
  const auto page = without_data(sheet::render(made_sheet("NAME")));
  for (const char* there : {"Depot NAME", "made by A. Tester NAME", "Round", "3; accepted by nobody yet",
      "Of 4 targets 1 met, 1 tight, 1 missed, 1 unread", "does not keep its design",
                            "class=\"bar\"", "gate: wanting", "up → core", "busiest 120 Mbit/s: above the speed", "it says NAME", "stream_frame_rate: e",
                                "its clock was off", "last in round 2",
                            "against round 2", "12.5 frames/s", "± 0.5 frames/s", "+25 %", "asked &amp; drawn", "12.5 frames/s is below 23.75 frames/s",
                                "login refused", "by its own count; measured for 10 s",
                            "recorder r, volume main", "30.25 days", "4 TB", "on 2027-03-01", "lanyard hooked", "glands closed",
                                "1 of 2 points are witnessed", "02:00:5e:10:00:99", "NAME</td>",
                            "licensed practice come first", "In the presence of", "towards the core", "&nbsp;wanting</span>", "How it was read",
                                "inside the reserve of 1 W"}) {
    CAPTURE(there);
    CHECK(page.find(there) != std::string::npos);
  }
  // Its two points: one that is told with its name, one with a box and two lines.
  CHECK(times(page, "class=\"line\"") == 2);
  CHECK(times(page, "#s-open\"") == 1);
}

TEST_CASE("a unit that the round does not tell of is not drawn as awaited") {
  auto data = made_sheet();
  data["round"]["roll"] = json::array();
  const auto page = without_data(sheet::render(data));
  CHECK(page.find("gate: not told") != std::string::npos);
  CHECK(page.find("gate: awaited") == std::string::npos);
}

TEST_CASE("no name of a unit can make a page of its own") {
  for (const std::string hostile : {"<script>alert(1)</script>", "\"><img src=x onerror=y>", "'><svg/onload=z>", "</td></table><h1>", "\xe2\x80\xae" "gnp",
      "&lt;b&gt;", "--></style>", "\xff\xfe<", "</script>"}) {
    const auto page = sheet::render(made_sheet(hostile));
    const auto plain = sheet::render(made_sheet("plain"));
    CAPTURE(hostile);
    // Whatever the name: the same elements, in the same number.
    CHECK(times(page, "<") == times(plain, "<"));
    CHECK(times(page, "<script") == 1);
    CHECK(page.find("\xe2\x80\xae") == std::string::npos);
    CHECK(sheet::check(page)->verdict == sheet::Verdict::confirmed);
  }
  const auto page = sheet::render(made_sheet(std::string(5000, 'w')));
  CHECK(page.find("overflow-wrap: anywhere") != std::string::npos);
  CHECK(sheet::check(page)->verdict == sheet::Verdict::confirmed);
}

TEST_CASE("a changed octet is found, wherever it is") {
  const auto page = sheet::render(made_sheet("<Gräser>"));
  const auto whole = sheet::check(page);
  REQUIRE(whole.has_value());
  CHECK(whole->verdict == sheet::Verdict::confirmed);
  CHECK(page.find("<code id=\"sheet-sum\">" + whole->reckoned_sum + "</code>") != std::string::npos);
  std::mt19937 random(7);
  const auto data_at = page.find("<script type");
  int found = 0;
  for (int i = 0; i < 600; ++i) {
    auto changed = page;
    const auto at = i % 2 == 0 ? random() % page.size() : data_at + random() % (page.size() - data_at);
    changed[at] = static_cast<char>(changed[at] ^ (1 << random() % 8));
    const auto checked = sheet::check(changed);
    const bool noticed = !checked || checked->verdict == sheet::Verdict::changed;
    found += noticed;
    if (!noticed) FAIL("octet " << at << " was changed and not found");
  }
  CHECK(found == 600);
  for (const auto& changed : {page + " ", page.substr(0, page.size() - 1), "x" + page, page +
      page}) CHECK(sheet::check(changed)->verdict == sheet::Verdict::changed);
}

TEST_CASE("who changes data and sums alike is found by the page, and who makes all anew only by the record") {
  const auto data = made_sheet();
  const auto page = sheet::render(data);
  auto better = data;
  better["round"]["verdicts"][1]["verdict"] = "met";
  const auto old_text = sheet::canonical(data), new_text = sheet::canonical(better);
  auto forged = page;
  forged.replace(forged.find(old_text), old_text.size(), new_text);
  CHECK(sheet::check(forged)->verdict == sheet::Verdict::changed);
  const auto old_sum = sheet::sha256_of(old_text), new_sum = sheet::sha256_of(new_text);
  forged.replace(forged.find(old_sum), old_sum.size(), new_sum);
  CHECK(sheet::check(forged)->verdict == sheet::Verdict::changed);  // the sum of the round
  better["round_sha256"] = sheet::round_sum(better["round"]);
  CHECK(sheet::check(sheet::render(better))->verdict == sheet::Verdict::confirmed);  // no signature: docs/sheet.md says so
  CHECK(sheet::round_sum(better["round"]) != sheet::round_sum(data["round"]));
}

TEST_CASE("of another version's sheet only the data is checked, and what is no sheet is told") {
  auto data = made_sheet();
  data["tallywire"] = "9.9.9";
  const auto checked = sheet::check(sheet::render(data));
  CHECK(checked->verdict == sheet::Verdict::only_data);
  CHECK(checked->made_by_version == "9.9.9");
  for (const std::string text : {"", "<html></html>", "<script type=\"application/json\" id=\"tallywire-sheet\">", "\x7f""ELF\0\0"}) {
    const auto none = sheet::check(text);
    REQUIRE(!none.has_value());
    CHECK(none.error().kind == FaultKind::bad_request);
  }
  // Deep nesting costs no stack.
  const std::string deep = std::string(100'000, '[') + std::string(100'000, ']');
  const auto sum = sheet::sha256_of(deep);
  CHECK(!sheet::check("<code id=\"sheet-sum\">" + sum + "</code><script type=\"application/json\" id=\"tallywire-sheet\">" + deep + "</script>").has_value());
}

TEST_CASE("data of any shape is drawn as far as it is understood") {
  const auto whole = made_sheet();
  const auto flat = whole.flatten();
  const json odd[] = {nullptr, "word", -1e300, 1e300, json::array({1, "x", nullptr}), json::object({{"id", 5}}), true};
  int drawn = 0;
  for (const auto& [pointer, value] : flat.items())
    for (const auto& other : odd) {
      auto data = whole;
      auto at = json::json_pointer(pointer);
      data[at] = other;
      if (!at.parent_pointer().empty() && drawn % 3 == 0) data[at.parent_pointer()] = other;
      CHECK(sheet::render(data).ends_with("</html>\n"));
      ++drawn;
    }
  CHECK(drawn > 500);
}

TEST_CASE("a design is drawn without its secrets' names and addresses of switches") {
  const json design = {{"site", {{"name", "Depot"}}}, {"far_end", {{"secret", "SECRET"}}},
                       {"switches", {{{"id", "sw"}, {"address", "192.0.2.2"}, {"snmp", {{"secret", "SECRET"}}}, {"ports", {"1"}}, {"uplinks", json::array()}}}},
                       {"cameras", {{{"id", "gate"}, {"login_secret", "SECRET"}, {"switch", "sw"}, {"port", "1"}, {"heads", json::array()}}}}};
  const auto part = sheet::canonical(sheet::design_part(design));
  CHECK(part.find("SECRET") == std::string::npos);
  CHECK(part.find("192.0.2.2") == std::string::npos);
  CHECK(part.find("\"gate\"") != std::string::npos);
}
