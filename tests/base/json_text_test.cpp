#include "probes/json_text.hpp"
#include "probes/reading.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <cmath>
#include <limits>
#include <vector>

using namespace tallywire;
using nlohmann::json;

TEST_CASE("JSON text reads back as what was told, by a parser that is not its own") {
  JsonText text;
  text.begin_object();
  text.field("none", std::optional<int>());
  text.field("some", std::optional<int>(-7));
  text.field("yes", true);
  text.field("word", "a \"quoted\"\nline");
  text.field("largest", std::numeric_limits<std::uint64_t>::max());
  text.field("least", std::numeric_limits<std::int64_t>::min());
  text.key("list");
  text.values(std::vector<std::string>{"one", "two"});
  text.key("empty");
  text.begin_object();
  text.end_object();
  text.end_object();
  CHECK(json::parse(text.text()) == json{{"none", nullptr}, {"some", -7}, {"yes", true}, {"word", "a \"quoted\"\nline"},
                                         {"largest", std::numeric_limits<std::uint64_t>::max()},
                                         {"least", std::numeric_limits<std::int64_t>::min()},
                                         {"list", {"one", "two"}}, {"empty", json::object()}});
  text.clear();
  text.values(std::vector<int>{1, 2, 3});
  CHECK(text.text() == "[1, 2, 3]");
}

TEST_CASE("a number in JSON text reads back to the last bit; one that is not finite is null") {
  JsonText text;
  // Some of these want all 17 digits that IEEE 754 binary64 can need (IEEE 754-2008 §5.12.2).
  const std::vector<double> told = {0.1, -0.0, 25, 1e-300, 2.2250738585072014e-308, 9007199254740993.0, 1.7976931348623157e308,
                                    0.0003088061465721041, 299792.458, 5e-324};
  text.values(told);
  const auto read = json::parse(text.text()).get<std::vector<double>>();
  REQUIRE(read.size() == told.size());
  for (std::size_t i = 0; i < told.size(); ++i) {
    CHECK(read[i] == told[i]);
    CHECK(std::signbit(read[i]) == std::signbit(told[i]));
  }
  text.clear();
  text.values(std::vector<double>{std::nan(""), std::numeric_limits<double>::infinity(), 1.5});
  CHECK(text.text() == "[null, null, 1.5]");
}

TEST_CASE("octets that are no UTF-8 are told in JSON text as in JSON lines") {
  // RFC 3629 §3, §4: a lone continuation, a surrogate, an overlong slash, a sequence that is cut off; and what is allowed.
  for (const std::string octets : {"\x80", "a\xed\xa0\x80z", "\xc0\xaf", "end \xe2\x82", "caf\xc3\xa9 \xf0\x9f\x93\xb7", "\x01\x1f\x7f"}) {
    JsonText text;
    text.value(octets);
    CHECK(json::parse(text.text()) == json::parse(json_line(json(octets))));
  }
}
