// One pass over the site: looks at the switches, asks the units, meters the streams under every
// link's ceiling, measures path and volumes, and holds all of it against the design. Each unit's
// trouble is its own; a stop ends the round cleanly with what was read.
#pragma once

#include "config/design.hpp"
#include "daemon/round/bounded.hpp"
#include "daemon/round/instruments.hpp"
#include "daemon/round/link_room.hpp"
#include "daemon/round/plan.hpp"
#include "daemon/round/roll.hpp"
#include "daemon/round/site_links.hpp"
#include "daemon/round/task_group.hpp"
#include "daemon/round/unit_ports.hpp"
#include "daemon/verdict/headroom.hpp"
#include "daemon/verdict/retention.hpp"

#include <boost/asio/awaitable.hpp>
#include <nlohmann/json.hpp>

#include <set>
#include <string>
#include <vector>

namespace tallywire::round {

struct RoundOrder {
  std::string kind = "round";        // "round", "prove", "night"
  std::vector<std::string> cameras;  // empty: the whole site
  std::vector<verdict::NightRate> nights = {};  // what earlier nightly rounds read, for the days that volumes will hold
  SwitchLooks looks = {};            // the newest before the round, so that its first plan knows what the links carry
};

// How long anything may take before the round goes on without it. Those of the instruments are shorter.
struct RunnerLimits {
  std::chrono::milliseconds look{60'000};             // at a switch or at this machine's link
  std::chrono::milliseconds asking{30'000};           // one unit
  std::chrono::milliseconds beyond_metering{30'000};  // opening and closing a stream
  std::chrono::milliseconds beyond_path{20'000};
  std::chrono::milliseconds beyond_volume{60'000};
  std::chrono::milliseconds after_stop{5'000};        // for ending cleanly
};

// How long a stream is metered: whole GOPs, two of them at least, so that a key frame's weight is neither missed nor counted
// twice; at least `least_s`, at most two minutes. Without a GOP `least_s`.
double metering_seconds(std::optional<double> gop_frames, double frame_rate_hz, double least_s);

// Who keeps the roll while a round runs.
class RollKeeper {
 public:
  virtual ~RollKeeper() = default;
  virtual const Roll& roll() const = 0;
  virtual void heard(const std::string& camera) = 0;
  virtual void place(const std::string& hardware_address, const std::string& seen_on) = 0;
  // `as_of`: when the round read the unit. What another round read later stands.
  // `is`: proven, wanting, or arrived where something was unread.
  virtual void judged(const std::string& camera, Presence is, const std::string& reason, SystemTime as_of) = 0;
  // A switch says that this port ("switch/port") has no link.
  virtual void port_down(const std::string& switch_port) = 0;
  // A hardware address is a switch's own.
  virtual void not_a_unit(const std::string& hardware_address) = 0;
  // Conflicts that the arrivals themselves show.
  virtual std::vector<verdict::Finding> findings() const = 0;
};

// Who is told while it runs. Calls come on the network thread.
class RoundListener {
 public:
  virtual ~RoundListener() = default;
  // The head of the round, as in docs/api.md, before anything is measured.
  virtual void planned(const nlohmann::json& head) = 0;
  // The links were looked at: how long it takes, and why, as it is known now.
  virtual void replanned(double /*planned_s*/, const std::string& /*plan*/) {}
  virtual void progressed(double done_s, double planned_s, const std::string& text) = 0;
  virtual void read(const std::vector<Reading>& readings) = 0;
};

// Every camera of the order that the design does not know; empty when all are known.
std::vector<std::string> unknown_cameras(const config::Design& design, const RoundOrder& order);

class Runner {
 public:
  // All must outlive the run. Runs once. `room` is shared by all rounds of the site that run at a time.
  Runner(const config::Design& design, RollKeeper& keeper, Instruments& instruments, LinkRoom& room,
         RoundListener& listener, Stop& stop, RunnerLimits limits = {});
  // The round as in docs/api.md, without its number; `state` is "complete" or "cancelled".
  boost::asio::awaitable<nlohmann::json> run(RoundOrder order);

  static constexpr double path_seconds = 3;
  static constexpr double volume_seconds = 5;

 private:
  struct StreamTask {
    const config::Camera* camera;
    const config::Head* head;
    const config::Stream* stream;
    PlannedStream planned;
    double metering_s;
  };

  boost::asio::awaitable<nlohmann::json> carry_out();
  Patience patience(std::chrono::milliseconds limit, double seconds = 0) const;
  boost::asio::awaitable<void> look_at_links();
  boost::asio::awaitable<void> look_at_own_link();
  boost::asio::awaitable<void> look_at_switch(const config::Switch& sw);
  boost::asio::awaitable<void> wait_for_absent();
  boost::asio::awaitable<void> ask_cameras();
  boost::asio::awaitable<void> ask_camera(const config::Camera& camera);
  void add_arrival_findings(std::vector<verdict::Finding>& findings) const;
  void read_ports();
  std::vector<StreamTask> stream_tasks() const;
  double expected_bps(const std::string& subject, const config::Stream& stream) const;
  double metering_s(const std::string& subject, const config::Stream& stream) const;
  void see_links();
  boost::asio::awaitable<void> make_plan(double before_s);
  std::string describe_plan() const;
  std::string what_limits() const;
  void tell_streams(std::size_t open);
  std::string why_not_tried(const StreamTask& task) const;
  double elapsed_s() const;
  boost::asio::awaitable<void> meter_streams();
  boost::asio::awaitable<void> meter(StreamTask task, LinkRoom::Ticket ticket);
  boost::asio::awaitable<void> wait_for_cut();
  boost::asio::awaitable<void> measure_path();
  boost::asio::awaitable<void> measure_volumes();
  boost::asio::awaitable<void> tick_progress();
  void take(std::vector<Reading> readings);
  void read_days_held();
  void read_losses(SystemTime when);
  bool whole_site() const { return wanted_.empty(); }
  bool takes(const config::Camera& camera) const;
  bool wanted(const std::string& subject) const;
  boost::asio::awaitable<std::vector<verdict::HeadroomRow>> reckon_headroom();
  nlohmann::json conclude(const std::string& state, const std::vector<verdict::HeadroomRow>& headroom);
  void judge_roll(const std::vector<verdict::Verdict>& verdicts);

  const config::Design& design_;
  RollKeeper& keeper_;
  Instruments& instruments_;
  LinkRoom& room_;
  RoundListener& listener_;
  Stop& stop_;
  const RunnerLimits limits_;
  const SiteLinks site_links_;

  std::string kind_;
  std::set<std::string> wanted_;
  SystemTime started_{};
  SwitchLooks looks_;
  std::optional<OwnLink> own_link_;
  std::map<std::string, std::string> unreachable_;   // camera id -> why its streams are not tried
  std::vector<Reading> readings_;
  std::vector<verdict::NightRate> nights_;
  std::vector<verdict::DaysHeld> days_held_;
  std::vector<StreamTask> tasks_;
  std::map<std::string, SystemTime> cut_;            // camera id -> when a stream of it broke off
  std::map<std::string, SystemTime> last_read_;      // camera id -> when the round read it
  Plan plan_;
  std::string plan_text_;                            // as it was told
  double planned_s_ = 0;
  std::string doing_;
  bool ended_ = false;
  std::size_t streams_done_ = 0, streams_in_all_ = 0;
};

}  // namespace tallywire::round
