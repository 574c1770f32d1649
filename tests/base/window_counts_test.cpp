#include "probes/window_counts.hpp"

#include <catch2/catch.hpp>

using namespace tallywire;

TEST_CASE("windows go into a word and come back") {
  const std::vector<WindowCount> counts{{0, 12}, {4736, 310}, {118'040, 1}};
  CHECK(encode_windows(counts) == "0:12 4736:310 118040:1");
  CHECK(decode_windows(encode_windows(counts)) == counts);
}

TEST_CASE("what is no such word is refused") {
  for (const char* word : {"", " ", "0", "0:", ":1", "0:0", "1:2 1:3", "2:1 1:1", "1:2 ", " 1:2", "1:2  3:4", "1:2,3:4", "-1:2", "1:2 3", "1.5:2", "x",
                           "281474976710657:1", "1:281474976710657", "99999999999999999999:1"}) {
    CAPTURE(word);
    CHECK_FALSE(decode_windows(word));
  }
  std::vector<WindowCount> many;
  for (std::uint64_t i = 0; i < 1001; ++i) many.push_back({i, 1});
  CHECK_FALSE(decode_windows(encode_windows(many)));
  many.pop_back();
  CHECK(decode_windows(encode_windows(many)));
}
