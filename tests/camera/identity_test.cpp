#include "tests/camera/unit.hpp"

using namespace tallywire;
using namespace tallywire::camera;
using namespace tallywire::camera::testing;

TEST_CASE("A unit that takes the token tells who it is, and its clock") {
  const FourHeads unit;
  const auto told = told_by([&](const std::string& request) {
    return Said{has_token(request) ? unit.answer(request) : not_authorized()};
  });
  CHECK(told.report.serial == "0042");
  CHECK(told.report.model == "unit \xef\xbf\xbd");
  CHECK(told.report.firmware == "1.2");
  CHECK(told.report.clock_source == "NTP");
  REQUIRE(told.report.clock_offset_s);
  // GNU date: date -u -d 2026-01-02T03:04:05Z +%s; half a second for the second that was cut off.
  const auto here = std::chrono::duration<double>(told.report.when.time_since_epoch()).count();
  CHECK(*told.report.clock_offset_s == Approx(1767323045.5 - here).margin(told.report.clock_uncertainty_s + 1));
  CHECK(told.report.unread.empty());
  CHECK(told.logins() > 10);  // accepted once, it is said with every question
  CHECK(holds(told.asked[2], ">2026-01-02T03:04:05Z<"));  // the unit's clock, not ours
}

TEST_CASE("A unit that wants HTTP digest gets that alone; an open one gets no login") {
  const auto digest = told_by([](const std::string& request) {
    return Said{has_digest(request) ? http("200 OK", information_body()) : http("401 Unauthorized", "", challenge)};
  });
  CHECK(digest.report.serial == "0042");
  CHECK(digest.logins() == static_cast<std::ptrdiff_t>(digest.asked.size()) - 2);  // all but clock and first refusal
  for (const auto& asked : digest.asked) CHECK_FALSE(has_token(asked));
  const auto open = told_by([](const std::string&) { return Said{http("200 OK", information_body())}; });
  CHECK(open.report.serial == "0042");
  CHECK(open.logins() == 0);
}

TEST_CASE("A refused password is not tried twice") {
  for (const auto& refusal : {not_authorized(), http("401 Unauthorized", "", challenge), http("401 Unauthorized", ""),
                              http("401 Unauthorized", "", "WWW-Authenticate: Basic realm=\"r\"\r\n"),
                              http("403 Forbidden", "")}) {
    const auto told = told_by([&](const std::string&) { return Said{refusal}; });
    INFO(refusal);
    CHECK(told.logins() == 1);
    CHECK(told.asked.size() == 3);
    CHECK_FALSE(told.report.serial);
    CHECK(told.report.unread.at("serial") == "login refused");
    CHECK(told.report.clock_offset_s);
    for (const auto& asked : told.asked) CHECK_FALSE(holds(asked, "Authorization: Basic"));  // the password in clear
  }
}

TEST_CASE("A nonce that went stale is answered with the new one; one that is refused for no new reason is not") {
  // RFC 7616 §3.3: stale=true says that the nonce was refused, not the password.
  const auto stale = [](const std::string& nonce) {
    return http("401 Unauthorized", "", "WWW-Authenticate: Digest realm=\"r\", nonce=\"" + nonce + "\", qop=\"auth\", stale=true\r\n");
  };
  const auto told = told_by([&](const std::string& request) {
    if (!has_digest(request)) return Said{http("401 Unauthorized", "", challenge)};
    return Said{holds(request, "nonce=\"fresh\"") ? http("200 OK", information_body()) : stale("fresh")};
  });
  CHECK(told.report.serial == "0042");
  // A unit that calls each nonce stale is not asked for ever, and a login that it never took is not tried again.
  int nonce = 0;
  const auto never = told_by([&](const std::string& request) {
    return Said{has_digest(request) ? stale("n" + std::to_string(++nonce)) : http("401 Unauthorized", "", challenge)};
  });
  CHECK(never.report.unread.at("serial") == "login refused");
  CHECK(never.asked.size() == 5);
}

TEST_CASE("Of several challenges the strongest is answered, with qop and a count that rises") {
  // RFC 7616 §3.7: the client answers the first it supports or the strongest; §3.4: nc counts the uses of a nonce.
  const std::string both = "WWW-Authenticate: Digest realm=\"r\", nonce=\"n\", qop=\"auth\", algorithm=MD5\r\n"
                           "WWW-Authenticate: Digest realm=\"r\", nonce=\"n\", qop=\"auth\", algorithm=SHA-256\r\n";
  const FourHeads unit;
  const auto told = told_by([&](const std::string& request) {
    return Said{has_digest(request) ? unit.answer(request) : http("401 Unauthorized", "", both)};
  });
  REQUIRE(told.asked.size() > 4);
  CHECK(holds(told.asked[2], "algorithm=SHA-256"));
  CHECK(holds(told.asked[2], "nc=00000001"));
  CHECK(holds(told.asked[3], "nc=00000002"));
}

TEST_CASE("Everything that is asked of a unit ends within its total limit; what was read stays") {
  const FourHeads unit;
  const auto started = std::chrono::steady_clock::now();
  const auto told = told_by([&](const std::string& request) { return Said{unit.answer(request), Said::Then::hang_up, {}, 900ms}; },
                            {http("200 OK", time_body())}, 5s, 1500ms);
  CHECK(std::chrono::steady_clock::now() - started < 3s);
  CHECK(told.report.serial == "0042");
  CHECK(holds(told.report.unread.at("media"), "took longer than"));
}

TEST_CASE("Where there is no ONVIF, nobody gets the login") {
  for (const char* status : {"404 Not Found", "405 Method Not Allowed", "302 Found", "503 Service Unavailable"}) {
    const auto told = told_by([](const std::string&) { return Said{not_authorized()}; }, {http(status, "<html/>")});
    CHECK(told.asked.size() == 1);
    CHECK(holds(told.report.unread.at("serial"), std::string(status, 3)));
    CHECK(holds(told.report.unread.at("clock_offset_s"), std::string(status, 3)));
  }
}

TEST_CASE("What a unit does not tell is unread with its reason, and the rest is told") {
  const auto no_clock = told_by([](const std::string&) { return Said{http("200 OK", information_body())}; },
                                {http("401 Unauthorized", "", challenge)});
  CHECK(no_clock.report.serial == "0042");
  CHECK(no_clock.report.unread.at("clock_offset_s") == "login refused");
  const auto silent = told_by([](const std::string&) { return Said{"", Said::Then::hold}; },
                              {http("200 OK", time_body())}, 500ms);
  CHECK(silent.report.clock_offset_s);
  CHECK(silent.report.unread.at("serial") == "the unit's answer took longer than 0.5 s");
  const auto garbage = told_by([](const std::string&) { return Said{http("500 Internal Server Error", "oops")}; });
  CHECK(garbage.report.unread.at("serial") == "the unit's answer is no ONVIF");
  int unread = 0;
  for (const auto& reading : to_readings(garbage.report, "camera/a")) unread += !reading.unread.empty();
  CHECK(unread == 4);  // serial, firmware, model, heads
}
