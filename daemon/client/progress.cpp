#include "daemon/client/progress.hpp"

#include "daemon/verdict/words.hpp"

#include <unistd.h>

#include <algorithm>
#include <cstdio>

namespace tallywire::client {

using namespace std::chrono_literals;

ProgressLine::ProgressLine(bool quiet) : quiet_(quiet), terminal_(isatty(STDERR_FILENO) == 1) {}

void ProgressLine::show(double done_s, double total_s, const std::string& text) {
  if (quiet_) return;
  const auto now = std::chrono::steady_clock::now();
  if (shown_ && now - last_ < (terminal_ ? 200ms : 5000ms)) return;
  last_ = now;
  std::string line = text;
  if (total_s > 0) {
    const double left = std::max(0.0, total_s - done_s);
    line += left > 0 ? ", about " + verdict::spoken_duration(std::max(1.0, left)) + " left" : ", nearly done";
  }
  if (terminal_)
    std::fprintf(stderr, "\r\033[K%s", line.substr(0, 110).c_str());
  else
    std::fprintf(stderr, "%s\n", line.c_str());
  std::fflush(stderr);
  shown_ = true;
}

void ProgressLine::clear() {
  if (quiet_ || !shown_ || !terminal_) return;
  std::fputs("\r\033[K", stderr);
  std::fflush(stderr);
  shown_ = false;
}

}  // namespace tallywire::client
