#include "probes/wire/printable.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::wire;

TEST_CASE("Well-formed UTF-8 stays, whatever else becomes U+FFFD octet by octet") {
  const std::string none = "\xef\xbf\xbd";
  // RFC 3629 §7 (examples), §4 (the well-formed), §10 (overlong C0 80, surrogates).
  CHECK(printable("A\xe2\x89\xa2\xce\x91.") == "A\xe2\x89\xa2\xce\x91.");
  CHECK(printable("\xf0\xa3\x8e\xb4") == "\xf0\xa3\x8e\xb4");
  CHECK(printable("\xf4\x8f\xbf\xbf") == "\xf4\x8f\xbf\xbf");
  CHECK(printable("\xf4\x90\x80\x80") == none + none + none + none);
  CHECK(printable("\xed\xa0\x80") == none + none + none);
  CHECK(printable("\xc0\xaf") == none + none);
  CHECK(printable("cut \xe2\x82") == "cut " + none + none);
}

TEST_CASE("Controls become U+FFFD, padding at the end goes") {
  const std::string none = "\xef\xbf\xbd";
  CHECK(printable("a\x1b[2J") == "a" + none + "[2J");
  CHECK(printable("a\x7f\n") == "a" + none + none);
  CHECK(printable("a\xc2\x9b") == "a" + none);  // CSI of C1 (ISO/IEC 6429), as UTF-8
  CHECK(printable(std::string("p1\0\0", 4)) == "p1");
  const std::vector<std::uint8_t> octets = {'S', 0xfc, 'd'};
  CHECK(printable(Octets(octets)) == "S" + none + "d");
}

TEST_CASE("An id that is no text reads as pairs, one that is stays") {
  const std::vector<std::uint8_t> number = {0x00, 0x0a, 0xff}, name = {'p', '1', 0};
  CHECK(printable_or_pairs(number) == "00:0a:ff");
  CHECK(printable_or_pairs(name) == "p1");
  CHECK(printable_or_pairs({}).empty());
  CHECK(octet_pairs(name) == "70:31:00");
}
