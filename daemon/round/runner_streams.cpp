// The streams of a round: what they weigh on which links, in which order they are opened, and
// metering them.
#include "daemon/round/runner.hpp"

#include "daemon/verdict/headroom.hpp"

#include <algorithm>
#include <cmath>

namespace tallywire::round {

namespace asio = boost::asio;

namespace {

constexpr double settle_s = 3;   // looks at the switches and asks, before the streams
constexpr double opening_s = 2;  // opening and closing a stream, beside metering it
constexpr int most_streams_at_once = 256;

std::vector<Reading> unread_stream(const std::string& subject, const std::string& reason,
                                   SystemTime when) {
  std::vector<Reading> out;
  for (const char* quantity : {"codec", "width_px", "height_px", "frame_rate_hz", "payload_bps",
                               "gop_frames", "loss_ratio", "jitter_ms"})
    out.push_back(unread(subject, quantity, reason, when));
  return out;
}

}  // namespace

std::vector<Runner::StreamTask> Runner::stream_tasks() const {
  std::vector<StreamTask> out;
  for (const auto& camera : design_.cameras) {
    if (!takes(camera)) continue;
    for (const auto& head : camera.heads)
      for (const auto& stream : head.streams) {
        StreamTask task{&camera, &head, &stream, {}};
        task.planned.subject = config::subject_of(camera, head, stream);
        // A stream may run over its promise: room is taken for what the design tolerates.
        task.planned.load_bps = verdict::designed_wire_bps(static_cast<double>(stream.bit_rate_bps)) *
                                (1 + design_.limits.bit_rate_over_ratio);
        if (design_.entry_switch)
          task.planned.links = verdict::route(links_, camera.switch_id, *design_.entry_switch);
        out.push_back(std::move(task));
      }
  }
  return out;
}

LinkBudgets Runner::budgets() const {
  std::vector<LinkBudget> out;
  for (const auto& link : links_) {
    double load = 0;
    for (const auto& sw : design_.switches)
      for (const auto& uplink : sw.uplinks) {
        if (config::subject_of(sw, uplink) != link.subject) continue;
        const auto look = looks_.find(sw.id);
        if (look == looks_.end()) continue;
        const auto port = look->second.ports.find(uplink.port);
        if (port == look->second.ports.end()) continue;
        load = std::max(port->second.in_bps.value_or(0), port->second.out_bps.value_or(0));
      }
    const double ceiling = static_cast<double>(link.speed_bps) * design_.limits.uplink_ceiling_ratio;
    out.push_back({link.subject, std::max(0.0, ceiling - load), 0});
  }
  return LinkBudgets(std::move(out));
}

void Runner::make_plan() {
  tasks_ = stream_tasks();
  budgets_ = budgets();
  std::vector<PlannedStream> planned;
  for (const auto& task : tasks_) planned.push_back(task.planned);
  plan_ = plan_streams(planned, budgets_, design_.limits.stream_seconds + opening_s,
                       most_streams_at_once);
  const double before = streams_done_ == 0 && looks_.empty() ? settle_s : elapsed_s();
  planned_s_ = before + plan_.streams_s;
  if (!whole_site()) return;
  if (design_.far_end) planned_s_ += path_seconds + 1;
  for (const auto& recorder : design_.recorders)
    planned_s_ += static_cast<double>(recorder.volumes.size()) * (volume_seconds + 1);
}

std::string Runner::plan_text() const {
  std::string text = std::to_string(plan_.order.size()) + " streams, " +
                     std::to_string(plan_.most_at_once) + " at once";
  if (!plan_.limited_by.empty()) {
    for (const auto& link : budgets_.links())
      if (link.subject == plan_.limited_by)
        text += ": " + link.subject + " has room for " +
                std::to_string(std::llround(link.budget_bps / 1e6)) + " Mbit/s under its ceiling";
  } else {
    text += ": every link on the way has room for all of them";
  }
  return text;
}

asio::awaitable<void> Runner::meter(StreamTask task) {
  // Given back however the metering ends: a probe that throws must not keep its room on the links.
  struct Room {
    LinkBudgets& budgets;
    const PlannedStream& stream;
    ~Room() { budgets.give_back(stream); }
  };
  const Room room{budgets_, task.planned};
  auto measured = co_await instruments_.meter_stream(*task.camera, *task.head, *task.stream,
                                                     design_.limits.stream_seconds, stop_);
  ++streams_done_;
  if (!measured.fault) keeper_.heard(task.camera->id);
  take(std::move(measured.readings));
}

asio::awaitable<void> Runner::meter_streams() {
  const auto when = now_utc();
  std::vector<StreamTask> waiting;
  for (auto& task : tasks_) {
    const auto dead = unreachable_.find(task.camera->id);
    std::string reason;
    if (dead != unreachable_.end())
      reason = "the unit is not there: " + dead->second;
    else if (!budgets_.could_ever(task.planned))
      reason = "opening it would push " + budgets_.too_small_for(task.planned) + " past its ceiling";
    if (reason.empty()) {
      waiting.push_back(std::move(task));
    } else {
      take(unread_stream(task.planned.subject, reason, when));
      ++streams_done_;
    }
  }
  std::stable_sort(waiting.begin(), waiting.end(), [](const auto& a, const auto& b) {
    return a.planned.load_bps > b.planned.load_bps;
  });
  const auto total = streams_done_ + waiting.size();
  TaskGroup group(co_await asio::this_coro::executor);
  while (!waiting.empty() && !stop_.requested()) {
    for (auto task = waiting.begin(); task != waiting.end();) {
      if (group.running() < most_streams_at_once && budgets_.try_take(task->planned)) {
        group.spawn(task->planned.subject, meter(*task));
        task = waiting.erase(task);
      } else {
        ++task;
      }
    }
    doing_ = "metering streams, " + std::to_string(group.running()) + " open, " +
             std::to_string(streams_done_) + " of " + std::to_string(total) + " done";
    if (group.running() == 0) break;
    if (!waiting.empty()) co_await group.wait_for_change();
  }
  co_await group.join();
  for (const auto& task : waiting)
    take(unread_stream(task.planned.subject,
                       stop_.requested() ? "the round was stopped before its turn"
                                         : "the links on its way never had room for it",
                       now_utc()));
}

}  // namespace tallywire::round
