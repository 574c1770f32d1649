// A rehearsal: made-up streams sent over the real path to a far end, which receives and meters them. The load climbs until
// something is lost or all of it was carried; where the path carries live work, the first sign of harm ends it.
// Network thread; the streams are sent by a thread of their own, which ends within 50 ms of a stop.
#pragma once

#include "probes/fault.hpp"
#include "probes/path/agreement.hpp"
#include "probes/path/rehearsal_climb.hpp"
#include "probes/path/rehearsal_plan.hpp"
#include "probes/path/rehearsal_receiver.hpp"
#include "probes/path/rehearsal_sender.hpp"
#include "probes/stop.hpp"

#include <boost/asio/awaitable.hpp>

#include <functional>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::path {

// One load, held for whole GOPs.
struct StepReport {
  double scale = 0;
  double planned_s = 0;
  bool whole = true;             // false: it was ended before its time
  SendReport sent;
  RehearsalReceived received;

  double offered_bps() const;    // on the wire, by what was sent
  double carried_bps() const;    // by what was received
  std::uint64_t sent_packets() const;
  std::uint64_t lost_of(std::size_t stream) const;
  std::uint64_t lost_packets() const;       // on the path: what the far end's own socket dropped is left out
  std::uint64_t lost_key_packets() const;   // of key frames, its own drops not left out: nobody can tell whose they were
  std::optional<double> latest_ms() const;  // of the stream whose latest packet was the latest
  // Streams that lost something, those first that lost first.
  std::vector<std::size_t> lost_first() const;
};

// What stands watch over live work. Network thread.
class LiveWatch {
 public:
  virtual ~LiveWatch() = default;
  // Asked some ten times a second while a step runs: what harm was seen since the watch began, if any.
  virtual std::optional<std::string> harm() = 0;
  // Between two steps; may ask switches, bounded in time.
  virtual boost::asio::awaitable<std::optional<std::string>> look() = 0;
};

struct RehearsalRequest {
  FarEndAddress far_end;
  RehearsalPlan plan;
  ClimbRules climb;
  int step_gops = 2;             // 1 to 20: a step is so many times the longest GOP
  std::chrono::milliseconds rest{300};

  double step_s() const { return step_gops * plan.longest_gop_s(); }
};

struct Harm {
  double scale = 0;
  std::string what;
};

struct RehearsalReport {
  std::vector<StepReport> steps;            // in the order in which they ran
  std::optional<double> carried_scale;      // the highest that was carried whole, below all that lost
  std::optional<double> lost_scale;         // the lowest at which something was lost
  std::optional<Harm> harm;
  bool stopped = false;                     // by a person, or the service
  std::optional<Fault> broke_off;           // after at least one step
  double took_s = 0;
};

using RehearsalProgress = std::function<void(double done_s, double total_s, const std::string& text)>;

// At most so long, by the climb's rules.
double longest_rehearsal_s(const RehearsalRequest& request);

// `watch` may be null: nobody works on this path. A Fault when nothing was read at all; what breaks off later keeps what was read.
boost::asio::awaitable<Outcome<RehearsalReport>> rehearse(RehearsalRequest request, LiveWatch* watch, RehearsalProgress progress, Stop& stop);

}  // namespace tallywire::path
