#include "probes/arrivals/neighbour.hpp"

#include <condition_variable>
#include <mutex>

namespace tallywire::arrivals {

Outcome<std::optional<wire::LldpNeighbour>> hear_neighbour(const std::string& interface, std::chrono::milliseconds limit,
                                                const std::atomic<bool>& stop) {
  std::mutex lock;
  std::condition_variable heard;
  std::optional<wire::LldpNeighbour> found;
  const auto on_sighting = [&](const Sighting& s) {
    const auto* lldp = std::get_if<wire::LldpNeighbour>(&s.said);
    if (!lldp) return;
    const std::lock_guard hold(lock);
    if (!found) found = *lldp;
    heard.notify_one();
  };
  auto listener = Listener::open(interface, on_sighting, [](const ListenerNews&) {});
  if (!listener) return listener.error();
  const auto end = std::chrono::steady_clock::now() + limit;
  std::unique_lock hold(lock);
  while (!found && !stop && std::chrono::steady_clock::now() < end)
    heard.wait_for(hold, std::chrono::milliseconds(100));
  const auto out = found;
  hold.unlock();  // the capture thread may want it while it ends
  listener->reset();
  return out;
}

}  // namespace tallywire::arrivals
