#include "probes/link/mau.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::link;

// IANA-MAU-MIB, RFC 4836; check-values section 9.
TEST_CASE("MAU types are what the registry says") {
  struct Row {
    std::uint32_t number;
    const char *name, *duplex;
    std::uint64_t speed_bps;
  };
  for (const auto& r : {Row{10, "10BASE-T", "half", 10'000'000}, Row{11, "10BASE-T", "full", 10'000'000}, Row{15, "100BASE-TX", "half", 100'000'000},
                        Row{16, "100BASE-TX", "full", 100'000'000}, Row{29, "1000BASE-T", "half", 1'000'000'000},
                        Row{30, "1000BASE-T", "full", 1'000'000'000}, Row{54, "10GBASE-T", "full", 10'000'000'000}}) {
    const auto* type = mau_type(r.number);
    REQUIRE(type);
    CHECK(std::string(type->name) == r.name);
    CHECK(std::string(type->duplex) == r.duplex);
    CHECK(type->speed_bps == r.speed_bps);
  }
  CHECK_FALSE(mau_type(0));
  CHECK_FALSE(mau_type(99'999));
}

// 0x6c01: 10 and 100 half and full, 1000 full (check-values section 9, decoded by tshark); 0x8000 other, 0x4000 10BASE-T half.
TEST_CASE("capability bits are counted from the most significant one") {
  const std::uint8_t all[] = {0x6c, 0x01};
  CHECK(modes_of_capability_bits(all) ==
        std::vector<std::string>{"10baseT/Half", "10baseT/Full", "100baseT/Half", "100baseT/Full", "1000baseT/Full"});
  const std::uint8_t other[] = {0x80, 0x00}, ten[] = {0x40};
  CHECK(modes_of_capability_bits(other).empty());
  CHECK(modes_of_capability_bits(ten) == std::vector<std::string>{"10baseT/Half"});
  CHECK(modes_of_capability_bits({}).empty());
}

TEST_CASE("the fastest speed that both ends offer") {
  CHECK(fastest_common_bps({"100baseT/Full", "1000baseT/Full", "Autoneg"}, {"1000baseT/Full", "2500baseT/Full"}) == 1'000'000'000);
  CHECK(fastest_common_bps({"100baseT/Full"}, {"1000baseT/Full"}) == std::nullopt);
  CHECK(fastest_common_bps({"100baseT/Full"}, {"100baseT/Half"}) == 100'000'000);
  CHECK(fastest_common_bps({}, {"1000baseT/Full"}) == std::nullopt);
  for (const char* none : {"", "Autoneg", "TP", "Pause", "base", "0baseT", "99999999999999999999baseT/Full", "1000"}) CHECK_FALSE(speed_of_mode(none));
}
