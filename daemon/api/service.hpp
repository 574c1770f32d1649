// What the API asks of the service. A person's request becomes a round or an ask here, never a call from the
// page into a probe. Network thread only.
#pragma once

#include "config/design.hpp"
#include "probes/fault.hpp"
#include "probes/reading.hpp"

#include <boost/asio/awaitable.hpp>
#include <nlohmann/json.hpp>

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::api {

class Service {
 public:
  virtual ~Service() = default;
  virtual nlohmann::json describe() = 0;
  virtual nlohmann::json site() = 0;
  virtual const config::Design& design() const = 0;  // any thread
  virtual nlohmann::json roll() = 0;
  // Everybody who was heard, with each fact and where it came from; what was asked; the sweep, docs/api.md.
  virtual std::string units() = 0;  // JSON
  virtual nlohmann::json asked() = 0;
  virtual nlohmann::json sweep() = 0;
  virtual Outcome<void> start_sweep(const std::string& range, double rate_per_s, const std::string& interface) = 0;
  virtual void cancel_sweep() = 0;
  // The bench, docs/api.md: the clocks of boxed units, and, while somebody runs it, warnings and who each unit is.
  virtual nlohmann::json bench() = 0;
  virtual Outcome<void> start_bench(const std::vector<std::string>& cameras) = 0;
  virtual void end_bench() = 0;
  // Answers once the record has given it a number.
  virtual boost::asio::awaitable<Outcome<std::int64_t>> start_round(std::string kind, std::vector<std::string> cameras) = 0;
  // As many of this kind run as may: one round of the whole site, some proves beside it.
  virtual bool takes_no_more(const std::string& kind, const std::vector<std::string>& cameras) const = 0;
  // Without an id the one of the whole site, else the newest. False when there is none.
  virtual bool cancel_round(std::optional<std::int64_t> id) = 0;
  // What differs from the accepted round; what changed between two; who is told. A Fault of kind bad_request: no such round.
  virtual boost::asio::awaitable<Outcome<nlohmann::json>> drift() = 0;
  virtual boost::asio::awaitable<Outcome<nlohmann::json>> changes(std::int64_t round, std::int64_t since) = 0;
  virtual boost::asio::awaitable<Outcome<nlohmann::json>> telling() = 0;
  virtual Outcome<std::int64_t> start_ask(const std::string& command, const nlohmann::json& arguments) = 0;
  virtual std::optional<nlohmann::json> ask(std::int64_t id) = 0;
  virtual bool cancel_ask(std::int64_t id) = 0;
  // Of a tap that is held, docs/api.md. A Fault of kind bad_request: no such tap; of another: nothing to tell yet.
  virtual Outcome<std::string> tap(const std::string& interface) = 0;
  virtual boost::asio::awaitable<Outcome<nlohmann::json>> tap_live(std::string interface) = 0;
  // Which taps have read streams of the design; empty when none has.
  virtual nlohmann::json tapped() = 0;
  // The headroom rows as these readings of a round and the newest ones of the taps give them.
  virtual boost::asio::awaitable<nlohmann::json> headroom(std::vector<Reading> of_round) = 0;
};

}  // namespace tallywire::api
