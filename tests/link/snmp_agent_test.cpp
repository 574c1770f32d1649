// Needs a real agent, which tests/peers starts: hidden from a plain run. TALLYWIRE_SNMP_AGENT is its address; its v3 user
// "tram" has authPriv SHA "four rails" and AES "five rails".
#include "probes/link/snmp_session.hpp"

#include <catch2/catch.hpp>

#include <cstdlib>
#include <future>

using namespace tallywire;
using namespace tallywire::link;

namespace {

const Oid sys_uptime = {1, 3, 6, 1, 2, 1, 1, 3, 0};

std::string ask(const std::string& user, const std::string& auth, const std::string& privacy) {
  SwitchAccess access;
  access.address = std::getenv("TALLYWIRE_SNMP_AGENT");
  access.user = user;
  access.auth_password = auth;
  access.privacy_password = privacy;
  auto session = SnmpSession::open(access, std::chrono::seconds(5));
  if (!session) return std::string("open: ") + name_of(session.error().kind);
  const auto value = (*session)->get(sys_uptime);
  return value.has_value() ? "ok" : name_of(value.error().kind);
}

}  // namespace

TEST_CASE("right, wrong and right passwords in one process are ok, refused and ok", "[.agent]") {
  REQUIRE(std::getenv("TALLYWIRE_SNMP_AGENT"));
  CHECK(ask("tram", "four rails", "five rails") == "ok");
  CHECK(ask("tram", "four nails", "five rails") == "refused");
  CHECK(ask("tram", "four rails", "five rails") == "ok");
  // snmpd says nothing to what it cannot decrypt (snmpget ends in a timeout, see tests/peers).
  CHECK(ask("tram", "four rails", "five nails") == "refused");
  CHECK(ask("nobody", "four rails", "five rails") == "refused");
  CHECK(ask("tram", "four rails", "five rails") == "ok");
}

TEST_CASE("right and wrong keys side by side in one process stay apart", "[.agent]") {
  REQUIRE(std::getenv("TALLYWIRE_SNMP_AGENT"));
  std::vector<std::future<std::string>> right, wrong;
  for (int i = 0; i < 24; ++i) {
    right.push_back(std::async(std::launch::async, ask, "tram", "four rails", "five rails"));
    if (i % 3 == 0) wrong.push_back(std::async(std::launch::async, ask, "tram", "four nails", "five rails"));
  }
  for (auto& one : right) CHECK(one.get() == "ok");
  for (auto& one : wrong) CHECK(one.get() == "refused");
}

TEST_CASE("columns walked side by side are those walked one by one", "[.agent]") {
  REQUIRE(std::getenv("TALLYWIRE_SNMP_AGENT"));
  SwitchAccess access;
  access.address = std::getenv("TALLYWIRE_SNMP_AGENT");
  access.community = "tramdepot";
  const Oid table = {1, 3, 6, 1, 2, 1, 2, 2, 1};
  std::vector<Oid> columns;
  for (std::uint32_t n = 1; n <= 24; ++n) {  // 23 and 24 are not there
    columns.push_back(table);
    columns.back().push_back(n);
  }
  auto session = SnmpSession::open(access, std::chrono::seconds(20));
  REQUIRE(session.has_value());
  const auto together = (*session)->walk(columns);
  for (std::size_t i = 0; i < columns.size(); ++i) {
    const auto alone = (*session)->walk(columns[i]);
    REQUIRE(alone.has_value());
    REQUIRE(together[i].has_value());
    REQUIRE(together[i]->size() == alone->size());
    CHECK(alone->empty() == (i >= 22));
    for (std::size_t row = 0; row < alone->size(); ++row) CHECK((*together[i])[row].index == (*alone)[row].index);
  }
}
