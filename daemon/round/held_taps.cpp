#include "daemon/round/held_taps.hpp"

#include "daemon/round/tap_answer.hpp"
#include "daemon/round/task_group.hpp"
#include "probes/deadline.hpp"
#include "probes/tap/live_tap.hpp"

#include <algorithm>

namespace tallywire::round {

namespace asio = boost::asio;
using nlohmann::json;
using namespace std::chrono_literals;

namespace {

constexpr auto beat = 200ms;
constexpr auto between_looks = 900ms;  // less than the second after which a follower asks again

using Live = std::shared_ptr<tap::LiveTap>;

// What an interval came to, made off the network thread.
struct Interval {
  std::string answer;
  json summary;
  SystemTime at{};
  std::vector<Reading> readings;
};

json summary_of(const tap::TapReport& report, const std::vector<TapMatch>& matches) {
  double wire_bps = 0;
  std::int64_t lost = 0;
  int rate_unread = 0, loss_unread = 0;
  for (const auto& stream : report.streams) {
    wire_bps += stream.report.wire_bps.value_or(0);
    lost += stream.report.lost_packets.value_or(0);
    rate_unread += !stream.report.wire_bps;
    loss_unread += !stream.report.lost_packets;
  }
  const auto of_design = std::count_if(matches.begin(), matches.end(), [](const TapMatch& m) { return !m.subject.empty(); });
  return {{"streams", report.streams.size()}, {"streams_of_design", of_design}, {"wire_bps", wire_bps}, {"wire_bps_unread_streams", rate_unread},
          {"lost_packets", lost}, {"lost_packets_unread_streams", loss_unread}, {"dropped_by_kernel_packets", report.capture.loss.by_kernel},
          {"dropped_by_interface_packets", report.capture.loss.by_interface}};
}

Interval take_interval(tap::LiveTap& live, const config::Design& design, const std::string& interface, std::chrono::seconds interval) {
  const auto report = live.take_report();
  Interval out;
  out.at = now_utc();
  const auto matches = match_streams(design, report);
  out.readings = readings_of(report, matches);
  const json head = {{"interface", interface}, {"at", to_rfc3339(out.at)}, {"interval_s", interval.count()}};
  out.summary = summary_of(report, matches);
  out.summary.update(head);
  auto answer = answer_of(report, &design, out.at).answer;
  answer.update(head);
  out.answer = json_line(answer);
  return out;
}

json table_of(tap::LiveTap& live) {
  std::size_t streams = 0;
  const auto rows = live.heaviest(HeldTaps::most_rows, streams);
  const auto away = live.away();
  const auto lost = live.loss();
  std::string note = away ? *away : "";
  if (!away && lost.by_kernel + lost.by_interface > 0) note = "the capture itself lost " + std::to_string(lost.by_kernel + lost.by_interface) + " frames";
  json out = {{"at", to_rfc3339(now_utc())}, {"streams_in_all", streams}, {"note", note}, {"streams", json::array()}};
  for (const auto& row : rows) {
    json stream = row.stream;
    stream["wire_bps_now"] = row.wire_bps;
    out["streams"].push_back(std::move(stream));
  }
  return out;
}

}  // namespace

struct HeldTaps::Held {
  HeldTap tap;
  Live live;  // none while the interface cannot be opened
  json table;
  std::chrono::steady_clock::time_point looked_at{};
  bool looking = false;
};

struct HeldTaps::State {
  State(asio::any_io_executor executor, const config::Design& d, std::chrono::seconds i, HeldTapsListener l)
      : design(d), interval(i), listener(std::move(l)), tasks(executor) {
    settings.units = units_of(design);
  }
  void set(Held& one, const std::string& state, const std::string& note) {
    if (one.tap.state == state && one.tap.note == note) return;
    one.tap.state = state;
    one.tap.note = note;
    if (!stopped) listener.state_changed(one.tap);
  }

  const config::Design& design;
  std::chrono::seconds interval;
  HeldTapsListener listener;
  tap::TapSettings settings;
  std::vector<std::shared_ptr<Held>> held;
  bool stopped = false;
  TaskGroup tasks;
  asio::thread_pool looking{1};
};

HeldTaps::HeldTaps(asio::any_io_executor executor, const config::Design& design, std::vector<std::string> interfaces,
                   std::chrono::seconds interval, HeldTapsListener listener)
    : state_(std::make_shared<State>(executor, design, interval, std::move(listener))) {
  for (auto& interface : interfaces) {
    state_->held.push_back(std::make_shared<Held>());
    state_->held.back()->tap.interface = std::move(interface);
  }
}

// What still runs posts to the network's context, which outlives us.
HeldTaps::~HeldTaps() {
  state_->stopped = true;
  state_->looking.join();
}

void HeldTaps::start() {
  for (const auto& held : state_->held) state_->tasks.spawn("tap on " + held->tap.interface, hold(state_, held));
}

void HeldTaps::stop() { state_->stopped = true; }
bool HeldTaps::finished() const { return state_->tasks.running() == 0; }
std::chrono::seconds HeldTaps::interval() const { return state_->interval; }

asio::awaitable<bool> HeldTaps::open(std::shared_ptr<State> state, std::shared_ptr<Held> held) {
  std::function<Outcome<Live>()> work = [state, interface = held->tap.interface]() -> Outcome<Live> {
    auto opened = tap::LiveTap::open(interface, state->settings);
    if (!opened) return opened.error();
    return Live(std::move(*opened));
  };
  auto opened = co_await offload<Outcome<Live>>(state->looking, std::move(work));
  if (opened) {
    held->live = std::move(*opened);
    held->tap.since = now_utc();
    state->set(*held, "tapping", "");
    co_return true;
  }
  state->set(*held, "failed", opened.error().sentence());
  co_return false;
}

asio::awaitable<void> HeldTaps::take(std::shared_ptr<State> state, std::shared_ptr<Held> held) {
  std::function<Interval()> work = [state, live = held->live, interface = held->tap.interface] {
    return take_interval(*live, state->design, interface, state->interval);
  };
  auto taken = co_await offload<Interval>(state->looking, std::move(work));
  auto& tap = held->tap;
  tap.answer = std::move(taken.answer);
  tap.summary = std::move(taken.summary);
  tap.at = tap.since = taken.at;
  tap.readings = std::move(taken.readings);
  if (!state->stopped) state->listener.interval_over(tap);
}

asio::awaitable<void> HeldTaps::hold(std::shared_ptr<State> state, std::shared_ptr<Held> held) {
  using Clock = std::chrono::steady_clock;
  auto due = Clock::now();  // to open; then the end of an interval
  while (!state->stopped) {
    if (held->live) {
      const auto away = held->live->away();
      state->set(*held, away ? "away" : "tapping", away.value_or(""));
    }
    std::string broke;
    try {
      if (Clock::now() < due) {
        co_await pause_for(beat);
      } else if (!held->live) {
        const bool open_now = co_await open(state, held);
        due = Clock::now() + (open_now ? state->interval : try_again);
      } else {
        co_await take(state, held);
        // One that came late does not make the next much shorter than it is said to be.
        due = std::max(due + state->interval, Clock::now() + state->interval / 2);
      }
    } catch (const std::exception& e) {
      broke = e.what();
    }
    if (!broke.empty()) {  // as when memory runs out: begun anew, not given up
      held->live.reset();
      held->tap.readings.clear();
      state->set(*held, "failed", "the tap broke off: " + broke);
      due = Clock::now() + try_again;
    }
  }
  // Ending joins the capture threads.
  std::function<bool()> end = [live = std::move(held->live)]() mutable {
    live.reset();
    return true;
  };
  co_await offload<bool>(state->looking, std::move(end));
}

std::vector<const HeldTap*> HeldTaps::taps() const {
  std::vector<const HeldTap*> out;
  for (const auto& held : state_->held) out.push_back(&held->tap);
  return out;
}

Outcome<std::shared_ptr<HeldTaps::Held>> HeldTaps::find_held(const std::string& interface) const {
  std::string names;
  for (const auto& held : state_->held) {
    if (held->tap.interface == interface || (interface.empty() && state_->held.size() == 1)) return held;
    names += (names.empty() ? "" : ", ") + held->tap.interface;
  }
  if (interface.empty()) return Fault{FaultKind::bad_request, "several taps are held: " + names, "", "name one of these interfaces"};
  return Fault{FaultKind::bad_request, "no tap is held on this interface; it is on " + names, interface,
               "name it under “tap” in the settings of the service, or tap it yourself: tallywire tap --interface " + interface + " --alone"};
}

Outcome<const HeldTap*> HeldTaps::find(const std::string& interface) const {
  const auto found = find_held(interface);
  if (!found) return found.error();
  return &(*found)->tap;
}

asio::awaitable<Outcome<json>> HeldTaps::live(std::string interface) {
  const auto found = find_held(interface);
  if (!found) co_return found.error();
  const auto state = state_;
  const auto held = *found;
  while (held->looking) co_await pause_for(50ms);
  if (!held->live) {
    Fault none{FaultKind::system, held->tap.note.empty() ? "the tap is not open yet" : held->tap.note, held->tap.interface, "it is tried again every 10 s"};
    co_return none;
  }
  if (std::chrono::steady_clock::now() - held->looked_at >= between_looks) {
    struct Looking {
      Held& one;
      explicit Looking(Held& h) : one(h) { one.looking = true; }
      ~Looking() { one.looking = false; }
    };
    const Looking looking(*held);
    std::function<json()> work = [live = held->live] { return table_of(*live); };
    held->table = co_await offload<json>(state->looking, std::move(work));
    held->looked_at = std::chrono::steady_clock::now();
  }
  Outcome<json> out(boost::system::in_place_value, held->table);
  co_return out;
}

std::vector<Reading> HeldTaps::readings() const {
  std::vector<Reading> out;
  for (const auto& held : state_->held) out.insert(out.end(), held->tap.readings.begin(), held->tap.readings.end());
  return out;
}

}  // namespace tallywire::round
