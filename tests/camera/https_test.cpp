// HTTPS against Python's standard library (tests/camera/https_unit.py): a peer that nobody here wrote checks TLS and the
// digest, and OpenSSL's own program tells the certificate's fingerprint.
#include "probes/camera/identity.hpp"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <array>
#include <cstdio>
#include <memory>
#include <optional>

using namespace tallywire;
using namespace tallywire::camera;
using namespace std::chrono_literals;
namespace asio = boost::asio;

namespace {

class PythonUnit {
 public:
  explicit PythonUnit(const std::string& kind)
      : pipe_(popen(("exec /usr/bin/python3 -W ignore " TALLYWIRE_SOURCE_DIR "/tests/camera/https_unit.py " + kind).c_str(), "r"),
              &pclose) {
    REQUIRE(pipe_);
    std::array<char, 160> line{};
    REQUIRE(std::fgets(line.data(), line.size(), pipe_.get()));
    std::array<char, 100> sha256{};
    REQUIRE(std::sscanf(line.data(), "%hu %99s %lld", &port, sha256.data(), &not_after) == 3);
    fingerprint = sha256.data();
  }
  nlohmann::json seen() {  // ends it
    std::string out;
    std::array<char, 4096> chunk{};
    while (std::fgets(chunk.data(), chunk.size(), pipe_.get())) out += chunk.data();
    return nlohmann::json::parse(out);
  }
  std::uint16_t port = 0;
  std::string fingerprint;
  long long not_after = 0;

 private:
  std::unique_ptr<FILE, int (*)(FILE*)> pipe_;
};

asio::awaitable<void> keep(asio::awaitable<Outcome<CameraReport>> work, std::optional<Outcome<CameraReport>>& out) {
  out.emplace(co_await std::move(work));
}

Outcome<CameraReport> told_by(std::uint16_t port, const std::string& password = "four rails") {
  CameraRequest request;
  request.address = "127.0.0.1";
  request.onvif_tcp_port = port;
  request.https = true;
  request.login = wire::Credentials{"rail", password};
  asio::io_context context;
  Stop stop;
  std::optional<Outcome<CameraReport>> out;
  std::exception_ptr failure;
  asio::co_spawn(context, keep(ask_camera(std::move(request), stop), out), [&](std::exception_ptr e) { failure = e; });
  context.run_for(30s);
  if (failure) std::rethrow_exception(failure);
  REQUIRE(out);
  return *out;
}

}  // namespace

TEST_CASE("A unit by HTTPS tells who it is, and its certificate is told, not trusted") {
  PythonUnit unit("tls");
  const auto told = told_by(unit.port);
  REQUIRE(told.has_value());
  CHECK(told->serial == "0042");
  REQUIRE(told->certificate);
  CHECK(told->certificate->sha256 == unit.fingerprint);
  CHECK(told->certificate->not_after.time_since_epoch() == std::chrono::seconds(unit.not_after));
  CHECK(told->certificate->not_after - told->certificate->not_before == 30 * 24h);
  CHECK(told->certificate->self_signed);
  CHECK(told->certificate->subject == "CN=unit,O=Sand store");  // RFC 2253: the last part first
  const auto readings = to_readings(*told, "camera/a");
  CHECK(std::count_if(readings.begin(), readings.end(), [](const auto& r) { return r.quantity == "certificate_sha256"; }) == 1);
  const auto seen = unit.seen();
  // RFC 7616, held by the peer: right response, count and URI each time; SHA-256 before MD5; nonces go stale after two uses.
  CHECK(seen.at("refused") == 0);
  CHECK(seen.at("accepted") == 3);
  CHECK(seen.at("stale") == 1);
  for (const auto& algorithm : seen.at("algorithms")) CHECK(algorithm == "SHA-256");
  CHECK(seen.at("operations") ==
        nlohmann::json({"GetSystemDateAndTime", "GetDeviceInformation", "GetDeviceInformation", "GetServices",
                        "GetCapabilities", "GetCapabilities"}));
}

TEST_CASE("A wrong password is tried once by HTTPS too") {
  PythonUnit unit("tls");
  const auto told = told_by(unit.port, "five rails");
  REQUIRE(told.has_value());
  CHECK(told->unread.at("serial") == "login refused");
  CHECK(unit.seen().at("refused") == 1);
}

TEST_CASE("A port without TLS, or with an outdated one, is told as such") {
  for (const char* kind : {"plain", "old"}) {
    PythonUnit unit(kind);
    const auto told = told_by(unit.port);
    INFO(kind);
    REQUIRE_FALSE(told.has_value());
    CHECK(told.error().kind == FaultKind::malformed);
    CHECK(told.error().what.find("TLS 1.2") != std::string::npos);
    CHECK(unit.seen().at("operations").empty());
  }
}
