// Progress on the error stream: one line that is written over on a terminal, a line every few seconds
// elsewhere. Never on the output stream, so that --json stays one object.
#pragma once

#include <chrono>
#include <string>

namespace tallywire::client {

class ProgressLine {
 public:
  explicit ProgressLine(bool quiet);
  ~ProgressLine() { clear(); }
  void show(double done_s, double total_s, const std::string& text);
  // Takes the line away, so that other text can follow.
  void clear();

 private:
  bool quiet_;
  bool terminal_;
  bool shown_ = false;
  std::chrono::steady_clock::time_point last_{};
};

}  // namespace tallywire::client
