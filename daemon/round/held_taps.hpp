// The taps that the service holds open all day: each interval of each becomes a report, matched with the design, and the
// readings of the newest interval feed headroom. An interface that cannot be tapped is tried again. Network thread only;
// what waits for a tap's own threads runs on one thread of its own, so that no measurement on the pool holds it up.
#pragma once

#include "config/design.hpp"
#include "probes/fault.hpp"
#include "probes/reading.hpp"

#include <boost/asio/any_io_executor.hpp>
#include <boost/asio/awaitable.hpp>
#include <nlohmann/json.hpp>

#include <chrono>
#include <functional>
#include <memory>
#include <string>
#include <vector>

namespace tallywire::round {

struct HeldTap {
  std::string interface;
  std::string state = "away";  // "tapping", "away" (it was held and waits for its interface), "failed" (it will be tried again)
  std::string note;            // why it is away or failed
  SystemTime since{};          // of the interval that runs
  // Of the newest whole interval; empty before the first has ended.
  std::string answer;             // JSON as of docs/api.md, /api/tap: as text, since it may be large and is asked for seldom
  nlohmann::json summary;         // docs/api.md, event `tap`
  SystemTime at{};                // when it ended
  std::vector<Reading> readings;  // of the design's streams
};

struct HeldTapsListener {
  std::function<void(const HeldTap&)> state_changed;
  std::function<void(const HeldTap&)> interval_over;
};

class HeldTaps {
 public:
  static constexpr std::size_t most_rows = 40;  // of the live table
  static constexpr std::chrono::seconds try_again{10};

  // `design` outlives this.
  HeldTaps(boost::asio::any_io_executor executor, const config::Design& design, std::vector<std::string> interfaces,
           std::chrono::seconds interval, HeldTapsListener listener);
  ~HeldTaps();
  void start();
  // Ends all taps; finished() tells when they have.
  void stop();
  bool finished() const;

  std::chrono::seconds interval() const;
  std::vector<const HeldTap*> taps() const;
  // The tap on this interface, the only one when the name is empty. A Fault that says what is held otherwise.
  Outcome<const HeldTap*> find(const std::string& interface) const;
  // The heaviest streams of the time since the look before, as `tallywire tap --follow` shows them; looked at once a
  // second at most, whoever asks.
  boost::asio::awaitable<Outcome<nlohmann::json>> live(std::string interface);
  // All of the newest intervals.
  std::vector<Reading> readings() const;

 private:
  struct Held;
  struct State;
  static boost::asio::awaitable<bool> open(std::shared_ptr<State> state, std::shared_ptr<Held> held);
  static boost::asio::awaitable<void> take(std::shared_ptr<State> state, std::shared_ptr<Held> held);
  static boost::asio::awaitable<void> hold(std::shared_ptr<State> state, std::shared_ptr<Held> held);
  Outcome<std::shared_ptr<Held>> find_held(const std::string& interface) const;
  std::shared_ptr<State> state_;
};

}  // namespace tallywire::round
