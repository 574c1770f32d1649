// While somebody runs the bench: watches the clocks of the boxed units, warns, and asks each unit once who it is. Nobody is
// warned while no bench runs: on site units are powered for good. Network thread only.
#pragma once

#include "daemon/round/bench_clock.hpp"
#include "daemon/round/instruments.hpp"
#include "probes/fault.hpp"

#include <boost/asio/any_io_executor.hpp>
#include <boost/asio/awaitable.hpp>
#include <nlohmann/json_fwd.hpp>

#include <functional>
#include <memory>
#include <string>
#include <vector>

namespace tallywire::round {

struct BenchParts {
  const config::Design& design;
  const Roll& roll;
  Instruments& instruments;  // of its own: a round's must not be asked through meanwhile
  std::function<std::map<std::string, std::vector<SystemTime>>()> starts;  // as Watch::starts
  SystemTime listening_since{};
  std::function<void(const BenchClock&)> on_warning;  // once a stay at 80 % and once at the limit
};

class Bench {
 public:
  // A bench that nobody looks at for so long ends by itself: whoever ran it is gone.
  static constexpr std::chrono::seconds patience{60};
  // A unit that boots does not answer yet. As long as nobody answers, and no login was sent, it is tried again, every 5 to
  // 30 s and no longer than this; whatever it then answers holds for its stay.
  static constexpr std::chrono::minutes longest_boot{5};
  static constexpr std::size_t most_asked_at_once = 4;

  // The parts outlive the bench.
  Bench(boost::asio::any_io_executor executor, BenchParts parts);
  ~Bench();

  // Takes the place of one that runs. No cameras: every one that has a limit or was seen. Answers its number.
  Outcome<std::int64_t> start(const std::vector<std::string>& cameras);
  void end();
  // Nothing runs and no unit is being asked.
  bool finished() const;
  // Resumes when no unit is being asked any more; call end() before.
  boost::asio::awaitable<void> join();

  // As in docs/api.md, "The bench"; counts as looking at it.
  nlohmann::json answer(SystemTime now);
  // What the clock does every half second.
  void look(SystemTime now);

 private:
  struct State;
  std::shared_ptr<State> state_;
};

}  // namespace tallywire::round
