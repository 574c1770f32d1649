// The check is the thread itself: it hangs for as long as the test holds it.
#include "probes/volume/apart.hpp"

#include <catch2/catch.hpp>

#include <future>
#include <thread>

using namespace tallywire;
using namespace tallywire::volume;
using namespace std::chrono_literals;

namespace {

using Work = std::function<Outcome<int>(Signs&)>;

Outcome<int> run(const std::string& path, Work work, const std::atomic<bool>& stop = std::atomic<bool>(false), std::chrono::milliseconds silence = 100ms) {
  return apart<int>(path, silence, 100ms, stop, {}, std::move(work));
}

}  // namespace

TEST_CASE("work that comes back answers, and its exceptions come through") {
  CHECK(*run("/a", [](Signs&) { return 7; }, {}, 60s) == 7);
  CHECK(run("/a", [](Signs&) -> Outcome<int> { return Fault{FaultKind::bad_request, "so", "", ""}; }, {}, 60s).error().what == "so");
  CHECK_THROWS_AS(run("/a", [](Signs&) -> Outcome<int> { throw std::runtime_error("so"); }, {}, 60s), std::runtime_error);
}

TEST_CASE("work that hangs is told, nothing else is begun there until it comes back, and other paths are free") {
  const auto door = std::make_shared<std::promise<void>>();
  std::shared_future<void> opened = door->get_future();
  const auto first = run("/hangs", [opened](Signs&) { return opened.wait(), 1; });
  REQUIRE_FALSE(first.has_value());
  CHECK(first.error().kind == FaultKind::timed_out);
  CHECK(first.error().where == "/hangs");
  bool begun = false;
  const auto second = run("/hangs", [&begun](Signs&) { return begun = true, 2; });
  REQUIRE_FALSE(second.has_value());
  CHECK(second.error().what.find("still hangs") != std::string::npos);
  CHECK_FALSE(begun);
  CHECK(*run("/other", [](Signs&) { return 3; }, {}, 60s) == 3);
  door->set_value();
  for (int i = 0; i < 1000 && hangs_at("/hangs"); ++i) std::this_thread::sleep_for(10ms);
  CHECK(*run("/hangs", [](Signs&) { return 4; }, {}, 60s) == 4);
}

TEST_CASE("a stop is passed on; who does not heed it is left behind") {
  const std::atomic<bool> stop{true};
  CHECK(*run("/stop", [](Signs& signs) {
    while (!signs.stop()) std::this_thread::sleep_for(1ms);
    return 5;
  }, stop, 60s) == 5);
  const auto door = std::make_shared<std::promise<void>>();
  std::shared_future<void> opened = door->get_future();
  CHECK_FALSE(run("/stop", [opened](Signs&) { return opened.wait(), 1; }, stop, 60s).has_value());
  door->set_value();
}

TEST_CASE("signs of life keep it waiting, and progress comes on the calling thread") {
  const auto here = std::this_thread::get_id();
  int told = 0;
  const auto out = apart<int>("/tells", 2s, 2s, std::atomic<bool>(false), [&](double done_s, double, const std::string& doing) {
    CHECK(std::this_thread::get_id() == here);
    CHECK(doing == "so");
    told += done_s > 0;
  }, [](Signs& signs) -> Outcome<int> {
    for (int i = 1; i <= 30; ++i) {
      signs.tell(i, 30, "so");
      std::this_thread::sleep_for(100ms);
    }
    return 6;
  });
  CHECK(*out == 6);  // after 3 s
  CHECK(told > 2);
}
