// The streams of a round: what they weigh on which links, the plan, and metering them as their turns come.
#include "daemon/round/runner.hpp"

#include "daemon/verdict/headroom.hpp"
#include "probes/deadline.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>

namespace tallywire::round {

namespace asio = boost::asio;

namespace {

constexpr double opening_s = 1;          // opening and closing a stream, beside metering it
constexpr double longest_metering_s = 120;
constexpr double longest_rest_s = 1;

// A rate over the first moments of a stream is no rate, and no loss in them is no proof: what was metered for less than this share
// of its time is unread. What a single packet tells, codec and size, stays.
constexpr double least_of_metering_ratio = 0.6;

// Whether something was.
bool unread_what_was_cut(std::vector<Reading>& readings, double metering_s, const std::string& why) {
  bool cut = false;
  for (auto& r : readings) {
    const double over_s = std::chrono::duration<double>(r.over).count();
    if (!r.is_read() || over_s <= 0 || over_s >= least_of_metering_ratio * metering_s || r.quantity.ends_with("_px")) continue;
    char text[64];
    std::snprintf(text, sizeof text, " after %.1f s of the %.0f s that it is metered", over_s, metering_s);
    r = unread(r.subject, r.quantity, why + text, r.when);
    cut = true;
  }
  return cut;
}

// A link is free for the next stream a moment after the last: a second in which one ends and another begins with its key frame
// would hold both.
double rest_s(double metering_s) { return std::min(longest_rest_s, metering_s / 5); }

std::vector<Reading> unread_stream(const std::string& subject, const std::string& reason) {
  std::vector<Reading> out;
  for (const char* quantity : {"codec", "width_px", "height_px", "frame_rate_hz", "payload_bps",
                               "gop_frames", "loss_ratio", "jitter_ms"})
    out.push_back(unread(subject, quantity, reason, now_utc()));
  return out;
}

std::string count_of(std::size_t n, const char* one) { return std::to_string(n) + " " + one + (n == 1 ? "" : "s"); }

std::string mbps(double bps) { return std::to_string(std::llround(bps / 1e6)) + " Mbit/s"; }

}  // namespace

double metering_seconds(std::optional<double> gop_frames, double frame_rate_hz, double least_s) {
  if (!gop_frames || !(*gop_frames > 0) || !(frame_rate_hz > 0)) return least_s;
  const double gop_s = *gop_frames / frame_rate_hz;
  const double seconds = gop_s * std::max(2.0, std::ceil(least_s / gop_s - 1e-9));
  return std::max(least_s, std::min(seconds, longest_metering_s));
}

// What was measured last, where that is above the promise; else the promise with what the design tolerates beyond it.
double Runner::expected_bps(const std::string& subject, const config::Stream& stream) const {
  double out = verdict::designed_wire_bps(static_cast<double>(stream.bit_rate_bps)) * (1 + design_.limits.bit_rate_over_ratio);
  if (const auto learnt = room_.learnt(subject)) out = std::max(out, *learnt);
  return out;
}

double Runner::metering_s(const std::string& subject, const config::Stream& stream) const {
  std::optional<double> gop;
  if (stream.gop_frames) gop = *stream.gop_frames;
  for (const auto& r : readings_)
    if (!stream.gop_frames && r.subject == subject && r.quantity == "told_gop_frames" && r.number()) gop = r.number();
  return metering_seconds(gop, stream.frame_rate_hz, design_.limits.stream_seconds);
}

std::vector<Runner::StreamTask> Runner::stream_tasks() const {
  std::vector<StreamTask> out;
  for (const auto& camera : design_.cameras) {
    if (!takes(camera)) continue;
    const auto way = site_links_.way_in(camera, &keeper_.roll());
    for (const auto& head : camera.heads)
      for (const auto& stream : head.streams) {
        const auto subject = config::subject_of(camera, head, stream);
        StreamTask task{&camera, &head, &stream, {}, metering_s(subject, stream)};
        task.planned = {subject, expected_bps(subject, stream), way, task.metering_s + opening_s + rest_s(task.metering_s)};
        out.push_back(std::move(task));
      }
  }
  return out;
}

void Runner::see_links() {
  LinkSight sight{&looks_, &keeper_.roll(), instruments_.tapped(), own_link_};
  for (const auto& r : sight.tapped)
    if (r.quantity == "wire_bps" && r.number()) room_.learn(r.subject, *r.number());
  room_.end_look(site_links_.look(sight));
}

std::string Runner::why_not_tried(const StreamTask& task) const {
  const auto dead = unreachable_.find(task.camera->id);
  return dead == unreachable_.end() ? "" : "the unit is not there: " + dead->second;
}

// Thousands of streams take a while to plan: not on the network thread.
asio::awaitable<void> Runner::make_plan(double before_s) {
  tasks_ = stream_tasks();
  std::vector<PlannedStream> planned;
  for (const auto& task : tasks_)
    if (why_not_tried(task).empty()) planned.push_back(task.planned);
  asio::thread_pool planning(1);
  std::function<Plan()> reckon = [planned = std::move(planned), budgets = room_.budgets_bps()] {
    return plan_streams(planned, budgets, LinkRoom::most_streams_at_once);
  };
  plan_ = co_await offload<Plan>(planning, std::move(reckon));
  std::map<std::string, double> starts;
  for (const auto& s : plan_.order) starts[s.subject] = s.start_s;
  for (auto& task : tasks_)
    if (const auto at = starts.find(task.planned.subject); at != starts.end()) task.planned.start_s = at->second;
  plan_text_ = describe_plan();
  planned_s_ = before_s + plan_.streams_s;
  if (!whole_site()) co_return;
  if (design_.far_end) planned_s_ += path_seconds + 1;
  for (const auto& recorder : design_.recorders)
    planned_s_ += static_cast<double>(recorder.volumes.size()) * (volume_seconds + 1);
}

std::string Runner::what_limits() const {
  using Cause = LengthBound::Cause;
  if (plan_.waves <= 1) return "every link on the way has room for all of them";
  if (plan_.bound.cause == Cause::most_at_once) return "no more are opened at once";
  if (plan_.bound.cause == Cause::chain) return "on some links no two of them have room side by side";
  if (plan_.bound.cause != Cause::link) return "the longest of them takes as long";
  const auto& link = room_.links().at(plan_.bound.link);
  const double room_bps = room_.budgets_bps().at(plan_.bound.link);
  return link.name + " has room for " + mbps(room_bps) + " under its ceiling of " + mbps(link.ceiling_bps()) +
         (link.load_is_measured ? " beside what it carries" : " beside what the design records across it");
}

std::string Runner::describe_plan() const {
  if (plan_.order.empty()) return plan_.impossible.empty() ? "no streams to meter" : "no link has room for any stream";
  std::string text = count_of(plan_.order.size(), "stream") + (plan_.waves > 1 ? " in " + count_of(static_cast<std::size_t>(plan_.waves), "wave") : "") + ", " +
                     std::to_string(plan_.most_at_once) + " at once at most: " + what_limits();
  if (!plan_.impossible.empty()) text += "; " + count_of(plan_.impossible.size(), "stream") + " would not fit even alone";
  if (!whole_site()) return text;
  std::size_t volumes = 0;
  for (const auto& recorder : design_.recorders) volumes += recorder.volumes.size();
  if (design_.far_end) text += "; then the path to the far end";
  if (volumes > 0) text += "; then " + count_of(volumes, "volume");
  return text;
}

void Runner::tell_streams(std::size_t open) {
  doing_ = "metering streams, " + std::to_string(open) + " open, " + std::to_string(streams_done_) + " of " +
           std::to_string(streams_in_all_) + " done";
}

asio::awaitable<void> Runner::meter(StreamTask task, LinkRoom::Ticket ticket) {
  const HeldRoom held{room_, ticket};
  const auto& subject = task.planned.subject;
  Metering metering{task.metering_s, [this, ticket](double wire_bps) { room_.sends(ticket, wire_bps); }};
  auto work = instruments_.meter_stream(*task.camera, *task.head, *task.stream, std::move(metering), stop_);
  auto outcome = co_await bounded<Measured>(patience(limits_.beyond_metering, task.metering_s), stop_, std::move(work), "metering it");
  ++streams_done_;
  last_read_[task.camera->id] = now_utc();
  if (!outcome) {
    take(unread_stream(subject, outcome.error().sentence()));
    co_return;
  }
  const bool cut = unread_what_was_cut(outcome->readings, task.metering_s, stop_.requested() ? "the round was stopped" : "the stream broke off");
  if (!outcome->fault && !cut) keeper_.heard(task.camera->id);
  if (cut && !stop_.requested()) cut_[task.camera->id] = now_utc();
  for (const auto& r : outcome->readings)
    if (r.subject == subject && r.quantity == "wire_bps" && r.number()) room_.learn(subject, *r.number());
  take(std::move(outcome->readings));
  if (!stop_.requested()) co_await pause_for(std::chrono::milliseconds(static_cast<std::int64_t>(rest_s(task.metering_s) * 1000)));
}

asio::awaitable<void> Runner::meter_streams() {
  TaskGroup group(co_await asio::this_coro::executor);
  std::map<LinkRoom::Ticket, std::string> waiting;  // and the subject
  struct Withdrawn {
    LinkRoom& room;
    std::map<LinkRoom::Ticket, std::string>& waiting;
    ~Withdrawn() {
      for (const auto& [ticket, subject] : waiting) room.withdraw(ticket);
    }
  };
  const Withdrawn withdrawn{room_, waiting};
  streams_in_all_ = tasks_.size();
  for (const auto& task : tasks_) {
    const auto& subject = task.planned.subject;
    auto reason = why_not_tried(task);
    if (reason.empty() && stop_.requested()) reason = "the round was stopped before its turn";
    if (!reason.empty()) {
      ++streams_done_;
      take(unread_stream(subject, reason));
      continue;
    }
    LinkRoom::Claim claim;
    claim.stream = task.planned;
    claim.rank = whole_site() ? LinkRoom::Rank::round : LinkRoom::Rank::prove;
    auto ticket = std::make_shared<LinkRoom::Ticket>(0);
    claim.opened = [this, &group, &waiting, &task](LinkRoom::Ticket opened) {
      waiting.erase(opened);
      group.spawn(task.planned.subject, meter(task, opened));
      tell_streams(group.running());
    };
    claim.refused = [this, &group, &waiting, &task, ticket](const std::string& why) {
      waiting.erase(*ticket);
      ++streams_done_;
      take(unread_stream(task.planned.subject, why));
      group.nudge();
    };
    *ticket = room_.wait_for(std::move(claim));
    waiting[*ticket] = subject;
  }
  const Stop::Subscription stopped(stop_, [&group] { group.nudge(); });
  room_.serve();
  while (!waiting.empty() && !stop_.requested()) {
    tell_streams(group.running());
    co_await group.wait_for_change();
  }
  for (const auto& [ticket, subject] : waiting) {
    room_.withdraw(ticket);
    take(unread_stream(subject, "the round was stopped before its turn"));
  }
  waiting.clear();
  while (group.running() > 0) {
    tell_streams(group.running());
    co_await group.wait_for_change();
  }
}

}  // namespace tallywire::round
