#include "daemon/client/stop_signals.hpp"

#include <csignal>

namespace tallywire::client {
namespace {

std::atomic<bool> asked{false};

void ask_to_stop(int) { asked.store(true); }

}  // namespace

std::atomic<bool>& stop_asked() { return asked; }

void listen_for_stop() {
  struct sigaction action {};
  action.sa_handler = ask_to_stop;
  action.sa_flags = static_cast<int>(SA_RESETHAND);
  sigaction(SIGINT, &action, nullptr);
  sigaction(SIGTERM, &action, nullptr);
}

}  // namespace tallywire::client
