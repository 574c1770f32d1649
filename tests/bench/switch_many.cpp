// Reads several switches at once, a thread each as the service's pool does, and says how long it took:
//   switch_many v2c COMMUNITY ADDRESS…
//   switch_many v3 USER AUTH-PASSWORD PRIVACY-PASSWORD ADDRESS…
// One JSON object: {total_s, cpu_s, switches: [{address, read_s, messages, ports, unread[], error}]}.
#include "probes/link/switch_reader.hpp"

#include <nlohmann/json.hpp>

#include <sys/resource.h>

#include <cstdio>
#include <future>

using namespace tallywire;

namespace {

double cpu_s() {
  rusage used{};
  getrusage(RUSAGE_SELF, &used);
  return static_cast<double>(used.ru_utime.tv_sec + used.ru_stime.tv_sec) + static_cast<double>(used.ru_utime.tv_usec + used.ru_stime.tv_usec) / 1e6;
}

}  // namespace

int main(int argc, char** argv) {
  std::vector<std::string> words(argv + 1, argv + argc);
  link::SwitchAccess access;
  std::size_t first = 2;
  if (words.size() > 2 && words[0] == "v2c") {
    access.community = words[1];
  } else if (words.size() > 4 && words[0] == "v3") {
    access.user = words[1];
    access.auth_password = words[2];
    access.privacy_password = words[3];
    first = 4;
  } else {
    std::fputs("switch_many v2c COMMUNITY ADDRESS… or v3 USER AUTH PRIVACY ADDRESS…\n", stderr);
    return 2;
  }
  const auto began = std::chrono::steady_clock::now();
  std::vector<std::future<Outcome<link::SwitchReport>>> running;
  for (std::size_t i = first; i < words.size(); ++i) {
    access.address = words[i];
    running.push_back(std::async(std::launch::async, [access] { return link::read_switch(access, std::chrono::seconds(30)); }));
  }
  nlohmann::json out = {{"switches", nlohmann::json::array()}};
  for (std::size_t i = 0; i < running.size(); ++i) {
    const auto report = running[i].get();
    nlohmann::json one = {{"address", words[first + i]}, {"error", report ? nlohmann::json() : nlohmann::json(report.error().sentence())}};
    if (report) {
      one.update({{"read_s", report->read_s}, {"messages", report->messages}, {"ports", report->ports.size()}, {"unread", nlohmann::json::array()}});
      for (const auto& [table, reason] : report->unread) one["unread"].push_back(table);
    }
    out["switches"].push_back(one);
  }
  out["total_s"] = std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count();
  out["cpu_s"] = cpu_s();
  std::printf("%s\n", json_line(out).c_str());
  return 0;
}
