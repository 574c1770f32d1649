// A far end that is measured, asked over the loopback. What it writes is seen in its directory.
#include "probes/path/agreement.hpp"
#include "probes/path/far_end.hpp"
#include "probes/path/far_end_asker.hpp"

#include <catch2/catch.hpp>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>

#include <cstdlib>
#include <filesystem>
#include <thread>

namespace fs = std::filesystem;
namespace asio = boost::asio;
using namespace tallywire;
using namespace std::chrono_literals;

namespace {

const std::string key = "0123456789abcdef0123456789abcdef";

struct Place {
  Place() {
    std::string name = std::string(TALLYWIRE_BINARY_DIR) + "/far-end-XXXXXX";
    REQUIRE(::mkdtemp(name.data()) != nullptr);
    folder = name;
    end.emplace(context, blocking, path::FarEndSettings{"127.0.0.1", 0, key, {{"/srv/video", folder.string()}}});
    const auto started = end->start();
    REQUIRE(started.has_value());
    address = {"127.0.0.1", end->tcp_port(), key};
  }
  ~Place() {
    end->stop();
    context.run_for(2s);
    blocking.join();
    fs::remove_all(folder);
  }
  // Runs the network thread until it is so.
  template <class F>
  bool within_limit(std::chrono::milliseconds limit, F is_so) {
    const auto until = std::chrono::steady_clock::now() + limit;
    while (!is_so() && std::chrono::steady_clock::now() < until) context.run_for(10ms);
    return is_so();
  }

  asio::io_context context{1};
  asio::thread_pool blocking{2};
  std::optional<path::FarEnd> end;
  path::FarEndAddress address;
  fs::path folder;
};

}  // namespace

TEST_CASE("a far end tells what its volume took") {
  Place place;
  Stop stop;
  std::optional<Outcome<volume::VolumeReport>> report;
  asio::co_spawn(place.context, path::measure_far_volume(place.address, "/srv/video", 1200ms, 2, stop),
                 [&](std::exception_ptr failure, Outcome<volume::VolumeReport> came) {
                   if (!failure) report.emplace(std::move(came));
                 });
  REQUIRE(place.within_limit(20s, [&] { return report.has_value(); }));
  REQUIRE(report->has_value());
  CHECK((*report)->written_bytes.value_or(0) > 0);
  CHECK((*report)->files == 2);
  CHECK((*report)->duration_s.value_or(0) >= 1.1);
  CHECK(fs::is_empty(place.folder));
}

TEST_CASE("a far end stops writing when its asker hangs up") {
  Place place;
  std::shared_ptr<path::FarEndChannel> channel;
  nlohmann::json request = {{"do", "volume"}, {"path", "/srv/video"}, {"duration_ms", 60'000}, {"parallel_files", 2}};
  asio::co_spawn(place.context, path::agree(place.address, request), [&](std::exception_ptr failure, Outcome<path::Agreement> came) {
    if (!failure && came) channel = came->channel;
  });
  REQUIRE(place.within_limit(10s, [&] { return channel && !fs::is_empty(place.folder); }));
  channel.reset();  // closes the connection
  CHECK(place.within_limit(10s, [&] { return fs::is_empty(place.folder); }));  // a minute it was told
}

TEST_CASE("a far end that is stopped stops writing") {
  Place place;
  std::shared_ptr<path::FarEndChannel> channel;
  nlohmann::json request = {{"do", "volume"}, {"path", "/srv/video"}, {"duration_ms", 60'000}, {"parallel_files", 2}};
  asio::co_spawn(place.context, path::agree(place.address, request), [&](std::exception_ptr failure, Outcome<path::Agreement> came) {
    if (!failure && came) channel = came->channel;
  });
  REQUIRE(place.within_limit(10s, [&] { return channel && !fs::is_empty(place.folder); }));
  place.end->stop();
  CHECK(place.within_limit(10s, [&] { return fs::is_empty(place.folder); }));
}
