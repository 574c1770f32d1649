// Ctrl-C for work that is done here without an event loop: the first ends it cleanly, the second ends the program.
#pragma once

#include <atomic>

namespace tallywire::client {

std::atomic<bool>& stop_asked();
void listen_for_stop();

}  // namespace tallywire::client
