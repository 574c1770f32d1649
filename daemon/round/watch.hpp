// Listens on the interfaces, asks silent units, and tells the roll's changes as they come. Network
// thread only; capture runs on threads of its own and posts back.
#pragma once

#include "daemon/round/roll.hpp"
#include "probes/fault.hpp"

#include <boost/asio/any_io_executor.hpp>

#include <functional>
#include <memory>
#include <set>
#include <string>
#include <vector>

namespace tallywire::round {

struct WatchedInterface {
  std::string interface;
  std::string state;  // "listening", "down", "gone"
  std::string note;
};

class Watch {
 public:
  using OnChanges = std::function<void(const Changes&)>;
  using OnInterface = std::function<void(const WatchedInterface&)>;

  // `roll` must outlive the watch.
  Watch(boost::asio::any_io_executor executor, Roll& roll, std::vector<std::string> interfaces,
        OnChanges on_changes, OnInterface on_interface);
  ~Watch();
  Outcome<void> start();
  void stop();
  std::vector<WatchedInterface> interfaces() const;

 private:
  struct State;
  std::shared_ptr<State> state_;
};

// Hardware addresses of this machine's interfaces, as text; they are never strangers.
std::set<std::string> own_hardware_addresses();

}  // namespace tallywire::round
