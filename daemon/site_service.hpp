// What tallywired does: keeps the roll, runs rounds and asks one at a time, records what was read, and
// answers the API. Network thread only; the record is written on a thread of its own, in order.
#pragma once

#include "config/design.hpp"
#include "config/secrets.hpp"
#include "config/settings.hpp"
#include "daemon/api/event_feed.hpp"
#include "daemon/api/service.hpp"
#include "daemon/record/record.hpp"
#include "daemon/round/asks.hpp"
#include "daemon/round/bench.hpp"
#include "daemon/round/held_taps.hpp"
#include "daemon/round/link_room.hpp"
#include "daemon/round/real_instruments.hpp"
#include "daemon/round/runner.hpp"
#include "daemon/round/unit_ports.hpp"
#include "daemon/round/watch.hpp"
#include "daemon/site_nights.hpp"

#include <boost/asio/io_context.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/thread_pool.hpp>

#include <chrono>
#include <deque>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <vector>

namespace tallywire {

struct SiteServiceParts {
  boost::asio::io_context& context;
  const config::Design& design;
  const config::Secrets& secrets;
  record::Record& record;
  api::EventFeed& feed;
  boost::asio::thread_pool& blocking;  // probes: SNMP, disks
  boost::asio::thread_pool& writing;   // one thread: the record
  std::function<void()> after_round;   // may be empty
  std::optional<config::TellingSettings> telling = {};
};

class SiteService : public api::Service, public round::RollKeeper {
 public:
  SiteService(SiteServiceParts parts, std::vector<std::string> interfaces, std::optional<config::HeldTapSettings> tap,
              std::chrono::seconds between_looks);
  ~SiteService() override;

  // Restores the roll and begins to listen. A Fault when no interface can be opened.
  Outcome<void> start();
  // Ends rounds, asks, looks and taps cleanly; `finished` tells when nothing runs any more.
  void stop();
  bool finished() const {
    return running_.empty() && ends_unkept_.empty() && busy_asks() == 0 && !looks_run_ && nights_.finished() && bench_.finished() && (!taps_ || taps_->finished());
  }

  nlohmann::json describe() override;
  nlohmann::json site() override;
  const config::Design& design() const override { return parts_.design; }
  nlohmann::json roll_json() const;
  nlohmann::json roll() override { return roll_json(); }
  boost::asio::awaitable<Outcome<std::int64_t>> start_round(std::string kind, std::vector<std::string> cameras) override;
  bool takes_no_more(const std::string& kind, const std::vector<std::string>& cameras) const override;
  bool cancel_round(std::optional<std::int64_t> id) override;
  Outcome<std::int64_t> start_ask(const std::string& command, const nlohmann::json& arguments) override;
  std::optional<nlohmann::json> ask(std::int64_t id) override;
  bool cancel_ask(std::int64_t id) override;
  Outcome<std::string> tap(const std::string& interface) override;
  boost::asio::awaitable<Outcome<nlohmann::json>> tap_live(std::string interface) override;
  nlohmann::json tapped() override;
  boost::asio::awaitable<nlohmann::json> headroom(std::vector<Reading> of_round) override;
  boost::asio::awaitable<Outcome<nlohmann::json>> drift() override { return nights_.drift(); }
  boost::asio::awaitable<Outcome<nlohmann::json>> changes(std::int64_t round, std::int64_t since) override { return nights_.changes(round, since); }
  boost::asio::awaitable<Outcome<nlohmann::json>> telling() override { return nights_.telling(); }
  std::string units() override { return watch_.units(); }
  nlohmann::json asked() override { return watch_.asked(); }
  nlohmann::json sweep() override { return watch_.sweep(); }
  Outcome<void> start_sweep(const std::string& range, double rate_per_s, const std::string& interface) override {
    return watch_.sweep(range, rate_per_s, interface);
  }
  void cancel_sweep() override { watch_.cancel_sweep(); }
  nlohmann::json bench() override { return bench_.answer(now_utc()); }
  Outcome<void> start_bench(const std::vector<std::string>& cameras) override;
  void end_bench() override { bench_.end(); }

 private:
  struct RunningRound;
  struct RoundOver;
  struct EndWaits;
  struct Ask;

  const round::Roll& roll() const override { return roll_; }
  void heard(const std::string& camera) override;
  void place(const std::string& hardware_address, const std::string& seen_on) override;
  void judged(const std::string& camera, round::Presence is, const std::string& reason, SystemTime as_of) override;
  void port_down(const std::string& switch_port) override;
  void not_a_unit(const std::string& hardware_address) override { roll_.not_a_unit(hardware_address); }
  std::vector<verdict::Finding> findings() const override { return watch_.findings(); }

  void tell(const round::Changes& changes);
  void hold_taps(const config::HeldTapSettings& settings);
  nlohmann::json taps_json() const;
  void start_switch_looks();
  void stop_switch_looks();
  boost::asio::awaitable<void> look_again_and_again();
  boost::asio::awaitable<void> look_at_all_switches();
  boost::asio::awaitable<void> look_at_switch(const config::Switch& sw);
  void tell(const verdict::Finding& finding, bool is_over);
  round::BenchParts bench_parts();
  void save_roll();
  void write(std::string what, std::function<Outcome<void>()> action);
  void write_failed(const std::string& what, const Fault& fault);
  void write_went_well();
  Outcome<void> tell_broken_off();
  boost::asio::awaitable<void> keep_end(std::int64_t id, nlohmann::json document);
  boost::asio::awaitable<std::vector<verdict::NightRate>> nights();
  const std::shared_ptr<RunningRound>* current() const;
  nlohmann::json round_running() const;
  nlohmann::json rounds_running() const;
  void cancel_rounds();
  boost::asio::awaitable<void> recall_rates();
  boost::asio::awaitable<void> run_round(std::shared_ptr<RunningRound> running, round::RoundOrder order);
  boost::asio::awaitable<void> run_ask(std::shared_ptr<Ask> ask, std::string command,
                                       nlohmann::json arguments);
  boost::asio::awaitable<void> end_when_forgotten(std::shared_ptr<Ask> ask);
  std::size_t busy_asks() const;

  SiteServiceParts parts_;
  std::vector<std::string> interfaces_;
  SystemTime started_;
  round::Roll roll_;
  round::RealInstruments instruments_;
  round::Asks asks_;
  round::Watch watch_;
  round::RealInstruments bench_instruments_;  // its own: a round's keep what units said in that round
  round::Bench bench_;
  round::RealInstruments looking_;            // its own: a round compares with the round before
  SiteNights nights_;
  round::TaskGroup tasks_;
  std::chrono::seconds between_looks_;  // 0: the switches are read in rounds only
  boost::asio::steady_timer next_look_;
  Stop looks_stop_;
  bool looks_run_ = false;
  round::SwitchLooks looks_;                        // the newest that each switch answered
  std::map<std::string, std::string> looks_missed_;  // switch id -> why, as it was logged
  std::set<std::string> looks_refused_;              // switches that are not asked again
  std::optional<round::HeldTaps> taps_;  // none: the settings hold none
  std::vector<std::shared_ptr<RunningRound>> running_;  // in the order of their beginnings
  round::LinkRoom room_;                 // of all rounds that run
  bool rates_recalled_ = false;
  bool stopped_ = false;
  std::map<std::string, SystemTime> judged_as_of_;  // camera -> when the round that judged it last had read it
  std::map<std::int64_t, std::shared_ptr<Ask>> asked_;
  std::int64_t next_ask_ = 1;
  bool roll_is_being_saved_ = false, roll_has_changed_ = false;
  std::string record_fault_;             // empty: the last write went well
  std::set<std::int64_t> ends_unkept_;   // rounds that are over, and whose end is tried again and again
};

}  // namespace tallywire
