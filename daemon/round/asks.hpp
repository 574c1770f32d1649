// One measurement outside a round, asked for by a person: stream, tap, link, switch, path, rehearse, volume. The
// service and `tallywire --alone` both come through here, so both answer alike.
#pragma once

#include "config/design.hpp"
#include "config/secrets.hpp"
#include "probes/stop.hpp"

#include <boost/asio/awaitable.hpp>
#include <boost/asio/thread_pool.hpp>
#include <nlohmann/json.hpp>

#include <functional>
#include <string>

namespace tallywire::round {

struct AskAnswer {
  nlohmann::json answer;  // as in docs/commands.md, or {"error": …} as in docs/api.md
  int exit_code = 0;      // 0 read, 2 the request is wrong, 3 something could not be read
};

using AskProgress = std::function<void(double done_s, double total_s, const std::string& text)>;

class Asks {
 public:
  // With a design, a tap tells which stream of it each one is. All must outlive the asks.
  Asks(const config::Secrets& secrets, boost::asio::thread_pool& blocking, const config::Design* design = nullptr)
      : secrets_(secrets), blocking_(blocking), design_(design) {}
  static bool knows(const std::string& command);
  boost::asio::awaitable<AskAnswer> carry_out(std::string command, nlohmann::json arguments,
                                              AskProgress progress, Stop& stop);

 private:
  boost::asio::awaitable<AskAnswer> stream(nlohmann::json arguments, AskProgress progress, Stop& stop);
  boost::asio::awaitable<AskAnswer> tap(nlohmann::json arguments, AskProgress progress, Stop& stop);
  boost::asio::awaitable<AskAnswer> link(nlohmann::json arguments, AskProgress progress, Stop& stop);
  // Puts `neighbour` into the port's answer, or the reason why there is none.
  boost::asio::awaitable<void> hear_neighbour(std::string interface, double seconds, nlohmann::json& port,
                                              AskProgress progress, Stop& stop);
  // Takes the link down for some seconds. Puts `cable_test` into the port's answer, or the reason.
  boost::asio::awaitable<void> run_cable_test(std::string interface, nlohmann::json& port, AskProgress progress, Stop& stop);
  boost::asio::awaitable<AskAnswer> look_at_switch(nlohmann::json arguments, AskProgress progress, Stop& stop);
  boost::asio::awaitable<AskAnswer> path(nlohmann::json arguments, AskProgress progress, Stop& stop);
  boost::asio::awaitable<AskAnswer> rehearse(nlohmann::json arguments, AskProgress progress, Stop& stop);
  boost::asio::awaitable<AskAnswer> volume(nlohmann::json arguments, AskProgress progress, Stop& stop);

  const config::Secrets& secrets_;
  boost::asio::thread_pool& blocking_;
  const config::Design* design_;
};

}  // namespace tallywire::round
