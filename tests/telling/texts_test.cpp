// What goes over the wire. HMAC: by openssl (the key is that of RFC 4231 §4.3); mail: RFC 5322, RFC 2047; syslog: RFC 5424.
// The Python test checks the same by peers.
#include "config/settings.hpp"
#include "config/text_file.hpp"
#include "daemon/night_record.hpp"
#include "daemon/telling/texts.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;
using nlohmann::json;

namespace {

json quiet_night() {
  telling::NightFacts facts;
  facts.site = "Depot";
  facts.night = "2026-11-26";
  facts.state = "complete";
  facts.accepted = 3;
  facts.at = from_rfc3339("2026-11-26T01:31:00Z");
  return telling::night_message(facts);
}

}  // namespace

TEST_CASE("the signature is HMAC-SHA256 over the time, a line feed and the body") {
  // By openssl: printf '1\nwhat do ya want' | openssl dgst -sha256 -hmac Jefe
  CHECK(telling::signature_of("Jefe", "1", "what do ya want") == "ef099593c0e639186f1523312779c983760b7c470632e099acddf9ef40425356");
}

TEST_CASE("a night in which nothing changed is told all the same") {
  const auto message = quiet_night();
  CHECK(message.at("subject") == "Depot, night of 2026-11-26: nothing changed");
  CHECK(message.at("key") == "night-2026-11-26-Depot");
  CHECK(telling::night_key("Tram depot", "2026-11-26") == "night-2026-11-26-Tram-depot");
  // Receivers of several sites take each key once.
  CHECK(telling::night_key("東京", "2026-11-26") != telling::night_key("大阪", "2026-11-26"));
  CHECK(telling::night_key(std::string(200, 'a') + "1", "2026-11-26") != telling::night_key(std::string(200, 'a') + "2", "2026-11-26"));
  CHECK(message.at("sequence") == 1);
  CHECK(message.at("nights_since_last").is_null());
}

TEST_CASE("subjects beyond ASCII become encoded words of at most 75 characters that hold whole characters") {
  const std::string subject = "Straßenbahnhof Lindenau: 12 neu, 3 wieder wie abgenommen — größer als sonst äöü äöü äöü";
  const auto encoded = telling::encoded_words(subject);
  std::size_t begin = 0;
  while (begin < encoded.size()) {
    const auto end = std::min(encoded.find("\r\n ", begin), encoded.size());
    CHECK(end - begin <= 75);
    begin = end + 3;
  }
  CHECK(encoded.find("=?UTF-8?B?") == 0);
  CHECK(telling::encoded_words("plain") == "plain");
}

TEST_CASE("nothing of a message can end a header's line") {
  CHECK(telling::encoded_words("a\r\nBcc: b").find('\n') == std::string::npos);
  auto message = quiet_night();
  message["site"] = "x\"] y\\\n";
  message["subject"] = "x\n<0>1 another line";
  const auto line = telling::syslog_of(message, "box", from_rfc3339("2026-11-26T01:31:00Z"));
  CHECK(line.starts_with("<30>1 2026-11-26T01:31:00.000Z box tallywired - NIGHT [night@32473 key="));
  CHECK(line.find("site=\"x\\\"\\] y\\\\\"") != std::string::npos);
  CHECK(line.find('\n') == std::string::npos);
}

TEST_CASE("the waits double up to an hour, with a chance of half either way") {
  using std::chrono::milliseconds;
  CHECK(telling::wait_before_next(1, 30, 0.5) == milliseconds(30'000));
  CHECK(telling::wait_before_next(3, 30, 0.5) == milliseconds(120'000));
  CHECK(telling::wait_before_next(3, 30, 0) == milliseconds(60'000));
  CHECK(telling::wait_before_next(50, 30, 0.999) <= milliseconds(5'400'000));
}

TEST_CASE("settings of telling: what cannot be is refused where it stands") {
  const auto faults = [](const std::string& text) { return config::parse_settings(R"({"telling": )" + text + "}", "s.json").faults; };
  CHECK(faults(R"({"webhook": {"url": "https://desk.example/nights", "secret": "desk"}, "journal": true})").empty());
  CHECK(faults(R"({"email": {"host": "mail.example", "from": "a@b.example", "to": ["c@d.example"]}})").empty());
  for (const char* bad : {"{}", R"({"webhook": {"url": "ftp://x", "secret": "s"}})", R"({"webhook": {"url": "http://u:p@x/", "secret": "s"}})",
                          R"({"email": {"host": "m", "from": "a@b\r\nRCPT", "to": ["c@d"]}})", R"({"email": {"host": "m x", "from": "a@b", "to": ["c@d"]}})",
                          R"({"email": {"host": "m", "from": "a@b", "to": []}})", R"({"syslog": {}})", R"({"syslog": {"host": "h", "transport": "smoke"}})"}) {
    CAPTURE(bad);
    CHECK_FALSE(faults(bad).empty());
  }
}

TEST_CASE("one message a night, numbered, kept for each way; a second round of a night tells nobody") {
  auto record = std::move(*record::Record::open(":memory:"));
  telling::NightFacts facts;
  facts.site = "Depot";
  facts.night = "2026-11-26";
  facts.state = "complete";
  REQUIRE(tell_night(*record, facts, {"webhook", "email"}, {}).has_value());
  REQUIRE(tell_night(*record, facts, {"webhook", "email"}, {}).has_value());
  facts.night = "2026-11-29";
  REQUIRE(tell_night(*record, facts, {"webhook", "email"}, {}).has_value());
  CHECK(record->outbox_state("webhook")->at("waiting") == 2);
  const auto first = record->next_waiting("webhook");
  REQUIRE((first.has_value() && first->has_value()));
  CHECK((**first).message.at("sequence") == 1);
  REQUIRE(record->mark_outbox((**first).id, "told", 1, now_utc(), "").has_value());
  const auto second = record->next_waiting("webhook");
  CHECK((**second).message.at("sequence") == 2);
  CHECK((**second).message.at("nights_since_last") == 3);
  CHECK(record->outbox_state("email")->at("waiting") == 2);
  facts.night = "2026-11-12";  // the clock was set back
  REQUIRE(tell_night(*record, facts, {"webhook"}, {}).has_value());
  CHECK(record->kept("last_message")->at("nights_since_last").is_null());
}

TEST_CASE("the drift of a round goes on from what the record keeps, and a lost memory is made anew") {
  auto record = std::move(*record::Record::open(":memory:"));
  const config::Design design;
  const auto add = [&](const char* firmware) {
    record::RoundHead head;
    head.kind = "night";
    head.started = now_utc();
    const auto id = *record->begin_round(head);
    REQUIRE(record->add_readings(id, {read_word("camera/a", "firmware", firmware, "", now_utc())}).has_value());
    REQUIRE(record->end_round(id, "complete", {{"state", "complete"}}).has_value());
    return id;
  };
  const auto accepted = add("1");
  CHECK_FALSE(drift_now(*record, design, std::nullopt)->accepted);
  REQUIRE(record->accept_round(accepted, "A. Tester", now_utc()).has_value());
  CHECK_FALSE(drift_now(*record, design, std::nullopt)->round);
  const auto later = add("2");
  const auto now = drift_now(*record, design, std::nullopt);
  REQUIRE(now.has_value());
  CHECK(now->round == later);
  CHECK(now->of_round.rows.size() == 1);
  REQUIRE(record->keep({{drift_memory_kept, verdict::to_json(now->memory)}}, {}).has_value());
  CHECK(drift_now(*record, design, std::nullopt)->of_round.rows.size() == 1);
  REQUIRE(record->keep({{drift_memory_kept, "scribble"}}, {}).has_value());
  CHECK(drift_now(*record, design, std::nullopt)->of_round.begun.size() == 1);
}
