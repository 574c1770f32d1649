#include "daemon/round/bench.hpp"

#include "daemon/round/runner.hpp"
#include "daemon/round/task_group.hpp"
#include "daemon/verdict/findings.hpp"
#include "daemon/verdict/targets.hpp"

#include <boost/asio/steady_timer.hpp>
#include <nlohmann/json.hpp>

#include <algorithm>

namespace tallywire::round {

namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

constexpr auto beat = 500ms;
constexpr std::chrono::seconds first_pause{5}, longest_pause{30};

bool is_here(BenchState state) { return state != BenchState::awaited && state != BenchState::off; }

// What is known of a unit in its stay.
struct Unit {
  enum { unasked, being_asked, answered, given_up } asking = unasked;
  std::optional<SystemTime> stay;  // its begin
  std::optional<SystemTime> first_try, next_try;
  std::chrono::seconds pause = first_pause;
  std::string no_answer;           // why there was none
  std::vector<Reading> readings;
  bool warned_nearly = false, warned_over = false;
};

}  // namespace

struct Bench::State : std::enable_shared_from_this<Bench::State> {
  State(asio::any_io_executor executor, BenchParts p) : parts(std::move(p)), timer(executor), tasks(executor) {}

  std::vector<BenchClock> clocks(SystemTime at) const {
    const auto starts = parts.starts();
    return bench_clocks(parts.design, {parts.roll.entries(), starts, parts.listening_since, at}, cameras);
  }
  void tick();
  void look(SystemTime at);
  void warn(const BenchClock& clock, Unit& unit);
  void ask_if_due(const BenchClock& clock, Unit& unit);
  static asio::awaitable<void> ask(std::shared_ptr<State> self, std::string camera, std::shared_ptr<Stop> stop);
  std::string unread_because(const BenchClock& clock) const;
  std::vector<Reading> readings_of(const config::Camera& camera, const BenchClock& clock) const;

  BenchParts parts;
  asio::steady_timer timer;
  TaskGroup tasks;
  std::shared_ptr<Stop> stop;  // none: no bench runs
  std::int64_t number = 0;
  std::set<std::string> cameras;
  std::map<std::string, Unit> units;
  SystemTime now{}, looked_after{};
};

Bench::Bench(asio::any_io_executor executor, BenchParts parts) : state_(std::make_shared<State>(executor, std::move(parts))) {}

Bench::~Bench() { end(); }

Outcome<std::int64_t> Bench::start(const std::vector<std::string>& cameras) {
  const auto unknown = unknown_cameras(state_->parts.design, {"bench", cameras});
  if (!unknown.empty())
    return Fault{FaultKind::bad_request, "the design knows no camera “" + unknown.front() + "”", "", "see the ids in `tallywire arrivals`"};
  end();
  state_->stop = std::make_shared<Stop>();
  ++state_->number;
  state_->cameras = {cameras.begin(), cameras.end()};
  state_->units.clear();
  state_->looked_after = now_utc();
  state_->tick();
  return state_->number;
}

void Bench::end() {
  state_->timer.cancel();
  if (state_->stop) state_->stop->request();
  state_->stop.reset();
}

bool Bench::finished() const { return !state_->stop && state_->tasks.running() == 0; }

asio::awaitable<void> Bench::join() { co_await state_->tasks.join(); }

void Bench::look(SystemTime now) {
  if (state_->stop) state_->look(now);
}

void Bench::State::tick() {
  look(now_utc());
  if (!stop) return;
  timer.expires_after(beat);
  timer.async_wait([self = weak_from_this()](const boost::system::error_code& code) {
    const auto state = self.lock();
    if (!code && state && state->stop) state->tick();
  });
}

void Bench::State::look(SystemTime at) {
  now = at;
  if (now - looked_after > patience) {
    stop->request();
    stop.reset();
    return;
  }
  for (const auto& clock : clocks(now)) {
    if (!is_here(clock.state)) continue;
    auto& unit = units[clock.camera];
    if (unit.stay != clock.powered_since) {
      unit = {};
      unit.stay = clock.powered_since;
    }
    warn(clock, unit);
    ask_if_due(clock, unit);
  }
}

void Bench::State::warn(const BenchClock& clock, Unit& unit) {
  const bool over = clock.state == BenchState::over;
  if ((!over && clock.state != BenchState::nearly) || unit.warned_over || (!over && unit.warned_nearly)) return;
  (over ? unit.warned_over : unit.warned_nearly) = true;
  if (parts.on_warning) parts.on_warning(clock);
}

void Bench::State::ask_if_due(const BenchClock& clock, Unit& unit) {
  if (unit.asking != Unit::unasked || (unit.next_try && now < *unit.next_try) || tasks.running() >= most_asked_at_once) return;
  if (!unit.first_try) unit.first_try = now;
  unit.asking = Unit::being_asked;
  tasks.spawn("asking " + clock.camera + " on the bench", ask(shared_from_this(), clock.camera, stop));
}

asio::awaitable<void> Bench::State::ask(std::shared_ptr<State> self, std::string camera, std::shared_ptr<Stop> stop) {
  const auto stay = self->units[camera].stay;
  Measured measured;
  measured.fault = Fault{FaultKind::system, "asking it broke off", "", ""};
  try {
    measured = co_await self->parts.instruments.ask_camera(*self->parts.design.find_camera(camera), *stop);
  } catch (const std::exception& e) {
    measured.fault->what += std::string(": ") + e.what();
  }
  auto& unit = self->units[camera];
  if (self->stop != stop || unit.stay != stay) co_return;  // another bench, or another stay: it asks for itself
  if (!measured.fault) {
    unit.asking = Unit::answered;
    unit.readings = std::move(measured.readings);
    co_return;
  }
  unit.no_answer = measured.fault->what;
  unit.asking = self->now - *unit.first_try >= longest_boot ? Unit::given_up : Unit::unasked;
  unit.next_try = self->now + unit.pause;
  unit.pause = std::min(unit.pause * 2, longest_pause);
}

std::string Bench::State::unread_because(const BenchClock& clock) const {
  if (clock.state == BenchState::awaited) return "it has not been seen";
  const auto at = units.find(clock.camera);
  const bool asked = at != units.end() && at->second.first_try.has_value();
  if (clock.state == BenchState::off && !asked) return "it was gone before it was asked";
  if (!stop && !asked) return "no bench runs, so that it is not asked";
  if (!asked) return "it is about to be asked";
  const auto& unit = at->second;
  if (unit.asking == Unit::given_up) return "it did not answer for " + std::to_string(longest_boot.count()) + " min: " + unit.no_answer;
  return unit.no_answer.empty() ? "it is being asked" : "it does not answer yet, and is asked again: " + unit.no_answer;
}

std::vector<Reading> Bench::State::readings_of(const config::Camera& camera, const BenchClock& clock) const {
  const auto at = units.find(camera.id);
  if (at != units.end() && at->second.asking == Unit::answered) return at->second.readings;
  std::vector<Reading> out;
  for (const char* quantity : {"serial", "model", "firmware", "heads"})
    out.push_back(unread(config::subject_of(camera), quantity, unread_because(clock), now_utc()));
  return out;
}

namespace {

// Units that nobody named and that were not seen are no business of this bench.
int exit_code_of(const std::vector<BenchClock>& clocks, const std::map<std::string, std::vector<verdict::Verdict>>& verdicts, bool named) {
  bool missed = false, unread = false, any = false;
  for (const auto& clock : clocks) {
    if (clock.state == BenchState::awaited && !named) continue;
    any = true;
    const auto counts = verdict::count(verdicts.at(clock.camera));
    missed = missed || clock.went_over() || counts.missed > 0;
    unread = unread || counts.unread > 0 || !clock.limit_s || !clock.powered_for_s || !clock.power_on_seen;
  }
  return missed ? 1 : unread || !any ? 3 : 0;
}

nlohmann::json value_of(const std::vector<Reading>& readings, const char* quantity) {
  for (const auto& r : readings) {
    if (r.quantity != quantity) continue;
    if (r.word()) return *r.word();
    if (r.number()) return static_cast<std::int64_t>(*r.number());
  }
  return {};
}

}  // namespace

nlohmann::json Bench::answer(SystemTime now) {
  auto& state = *state_;
  state.looked_after = now;
  const auto clocks = state.clocks(now);
  auto units = nlohmann::json::array();
  std::map<std::string, std::vector<verdict::Verdict>> verdicts;
  std::vector<verdict::Verdict> all;
  for (const auto& clock : clocks) {
    const auto& camera = *state.parts.design.find_camera(clock.camera);
    const auto readings = state.readings_of(camera, clock);
    const auto& judged = verdicts[clock.camera] = verdict::judge_all(verdict::identity_targets(camera), readings, now);
    all.insert(all.end(), judged.begin(), judged.end());
    nlohmann::json unit = clock;
    for (const char* quantity : {"serial", "model", "firmware", "heads"}) unit[quantity] = value_of(readings, quantity);
    unit["verdicts"] = judged;
    units.push_back(std::move(unit));
  }
  return {{"bench", state.stop ? nlohmann::json(state.number) : nlohmann::json()},
          {"at", to_rfc3339(now)},
          {"units", std::move(units)},
          {"findings", verdict::find_causes(all, {})},
          {"unread", {{"ambient_c", "Tallywire does not measure the room"}}},
          {"exit_code", exit_code_of(clocks, verdicts, !state.cameras.empty())}};
}

}  // namespace tallywire::round
