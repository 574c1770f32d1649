// What a person at the bench sees: on a terminal a table that is drawn anew each second, under the warnings so far, with the bell
// at each new one; elsewhere the warnings as they come, and the table at the end.
#pragma once

#include "daemon/client/command.hpp"

#include <chrono>
#include <set>
#include <string>
#include <vector>

namespace tallywire::client {

class BenchScreen {
 public:
  explicit BenchScreen(const Command& command);
  // Until --seconds are over; without them always.
  bool goes_on() const;
  void show(const nlohmann::json& bench);
  // The last look. Answers its exit code.
  int finish(const nlohmann::json& bench);

 private:
  // Warnings that were not told before.
  std::vector<std::string> fresh_warnings(const nlohmann::json& bench);

  const Command& command_;
  bool terminal_;
  std::chrono::steady_clock::time_point end_;
  std::set<std::string> told_;          // camera, stay and state
  std::vector<std::string> warnings_;
};

}  // namespace tallywire::client
