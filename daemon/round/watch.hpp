// Listens on the interfaces, joins what is heard to units, asks little, and tells the roll's changes and the findings as they
// come. Network thread only; capture runs on threads of its own and posts back.
#pragma once

#include "daemon/round/roll.hpp"
#include "daemon/round/sweep.hpp"
#include "daemon/verdict/arrival_findings.hpp"
#include "probes/fault.hpp"

#include <boost/asio/any_io_executor.hpp>
#include <nlohmann/json_fwd.hpp>

#include <functional>
#include <map>
#include <memory>
#include <set>
#include <string>
#include <vector>

namespace tallywire::round {

struct WatchedInterface {
  std::string interface;   // as it was named to the watch
  std::string called_now;  // the same, unless it was renamed
  std::string state;       // "listening", "down", "gone"
  std::string note;
};

struct WatchListener {
  std::function<void(const Changes&)> on_changes;
  std::function<void(const WatchedInterface&)> on_interface;
  // A conflict that was not there before, or (`is_over`) is there no longer.
  std::function<void(const verdict::Finding&, bool is_over)> on_finding = {};
};

class Watch {
 public:
  // `roll` must outlive the watch.
  Watch(boost::asio::any_io_executor executor, const config::Design& design, Roll& roll, std::vector<std::string> interfaces, WatchListener listener);
  ~Watch();
  Outcome<void> start();
  void stop();
  std::vector<WatchedInterface> interfaces() const;

  // Where a switch has learnt an address: "switch/port". A unit may now be matched by its port.
  void place(const std::string& hardware_address, const std::string& seen_on);
  // Asks every address of a range on an interface that listens ("" where there is one); one sweep at a time.
  Outcome<void> sweep(const std::string& range, double rate_per_s, const std::string& interface);
  void cancel_sweep();

  std::vector<verdict::Finding> findings() const;
  // Signs of having been powered or restarted, oldest first, by camera of the design.
  std::map<std::string, std::vector<SystemTime>> starts() const;
  // {units, dhcp_servers, forgotten_units} as JSON on one line: thousands of units are no tree at once.
  std::string units() const;
  nlohmann::json asked() const;  // {asked: [{at, kind, interface, address}], count}: the newest, oldest first
  nlohmann::json sweep() const;  // null before the first one

 private:
  struct State;
  std::shared_ptr<State> state_;
};

// Hardware addresses of this machine's interfaces, as text; they are never strangers.
std::set<std::string> own_hardware_addresses();

}  // namespace tallywire::round
