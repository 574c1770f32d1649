#include "config/secrets.hpp"

#include <catch2/catch.hpp>

#include <cstdlib>
#include <filesystem>
#include <fstream>

#include <sys/stat.h>
#include <unistd.h>

using namespace tallywire::config;

namespace {

struct File {
  std::string path = std::filesystem::temp_directory_path() / ("tallywire-secrets-" + std::to_string(::getpid()));
  File(const std::string& text, mode_t mode) {
    std::ofstream(path) << text;
    ::chmod(path.c_str(), mode);
  }
  ~File() { std::filesystem::remove(path); }
};

const char* const all = R"({"cameras": {"user": "depot", "password": "four rails"},
 "switches": {"community": "tram"}, "core": {"user": "ops", "auth_protocol": "SHA", "auth_password": "aaaaaaaa",
 "privacy_protocol": "AES", "privacy_password": "bbbbbbbb"}, "far-end": {"key": "0123456789abcdef0123456789abcdef"}})";

}  // namespace

TEST_CASE("each kind of secret is found by its name, and by no other") {
  const File file(all, 0600);
  const auto loaded = load_secrets(file.path);
  CHECK(loaded.faults.empty());
  CHECK(loaded.secrets.login("cameras")->password == "four rails");
  CHECK(loaded.secrets.snmp("switches")->community == "tram");
  CHECK(loaded.secrets.snmp("core")->privacy_password == "bbbbbbbb");
  CHECK(loaded.secrets.key("far-end")->size() == 32);
  CHECK_FALSE(loaded.secrets.login("switches"));
  CHECK_FALSE(loaded.secrets.key("nobody"));
}

TEST_CASE("a file that others can read is refused, with what to type") {
  for (const mode_t mode : {0640, 0604, 0660, 0644}) {
    const File file(all, mode);
    const auto loaded = load_secrets(file.path);
    REQUIRE(loaded.faults.size() == 1);
    CHECK(loaded.faults[0].find("chmod 600 " + file.path) != std::string::npos);
    CHECK_FALSE(loaded.secrets.login("cameras"));
  }
}

TEST_CASE("a secret of no known kind and a short key are told by name, never by value") {
  const File file(R"({"cameras": {"user": "depot", "pass": "do not show"}, "far-end": {"key": "too short"}})", 0600);
  const auto loaded = load_secrets(file.path);
  CHECK(loaded.faults.size() == 2);
  for (const auto& fault : loaded.faults) {
    CHECK(fault.find("do not show") == std::string::npos);
    CHECK(fault.find("too short") == std::string::npos);
  }
}

TEST_CASE("systemd credentials serve when no file is named") {
  const auto directory = std::filesystem::temp_directory_path() / ("tallywire-credentials-" + std::to_string(::getpid()));
  std::filesystem::create_directory(directory);
  std::ofstream(directory / "tallywire.secrets") << all;
  ::setenv("CREDENTIALS_DIRECTORY", directory.c_str(), 1);
  CHECK(load_secrets("").secrets.login("cameras"));
  ::unsetenv("CREDENTIALS_DIRECTORY");
  CHECK_FALSE(load_secrets("").secrets.login("cameras"));
  std::filesystem::remove_all(directory);
}
