// Links of usual sizes: RFC 894 and 8.3's 1500, RFC 2516's 1492, RFC 8200's least of 1280, RFC 1122's 576.
#include "probes/path/path_mtu.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::path;

namespace {

struct Route {
  std::size_t mtu = 1500, told = 0;  // told: what a router says when a packet is too large; 0: nothing
  int probes = 0;
  ProbeOutcome probe(std::size_t bytes) {
    ++probes;
    return {bytes <= mtu, bytes > mtu ? told : 0};
  }
};

PathMtu search(Route& route, std::size_t interface) {
  return search_path_mtu(576, interface, [&route](std::size_t bytes) { return route.probe(bytes); });
}

}  // namespace

TEST_CASE("an interface's own MTU is found with one probe") {
  for (const std::size_t mtu : {576, 1280, 1500, 9000}) {
    Route route{mtu, 0, 0};
    const auto found = search(route, mtu);
    CHECK(found.bytes == mtu);
    CHECK(route.probes == 1);
    CHECK_FALSE(found.black_hole());
  }
}

TEST_CASE("what a router says is tried and believed") {
  Route route{1492, 1492, 0};
  const auto found = search(route, 1500);
  CHECK(found.bytes == 1492);
  CHECK(found.told);
  CHECK_FALSE(found.black_hole());
  CHECK(route.probes == 2);
}

TEST_CASE("routers that say nothing are a black hole, and the size is found to the octet") {
  for (std::size_t mtu = 576; mtu < 1500; ++mtu) {
    CAPTURE(mtu);
    Route route{mtu, 0, 0};
    const auto found = search(route, 1500);
    CHECK(found.bytes == mtu);
    CHECK(found.black_hole());
    CHECK(route.probes <= 13);
  }
}

TEST_CASE("a second, smaller link that says nothing is found below the first that does") {
  Route route{1400, 0, 0};
  const auto found = search_path_mtu(576, 9000, [&route](std::size_t bytes) {
    auto out = route.probe(bytes);
    if (bytes > 1500) out.told_bytes = 1500;
    return out;
  });
  CHECK(found.bytes == 1400);
}

TEST_CASE("a router's word above what was tried, or below what came through, leads nowhere") {
  for (const std::size_t told : {std::size_t{40}, std::size_t{60'000}}) {
    Route route{1300, told, 0};
    const auto found = search(route, 1500);
    CHECK(found.bytes == 1300);
  }
}

TEST_CASE("where nothing comes through, nothing is claimed") {
  Route route{0, 0, 0};
  const auto found = search(route, 1500);
  CHECK(found.bytes == 0);
  CHECK_FALSE(found.black_hole());
  CHECK(route.probes <= 2);
}
