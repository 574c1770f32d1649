#include "daemon/round/runner.hpp"

#include "daemon/round/unit_ports.hpp"
#include "daemon/verdict/power.hpp"
#include "probes/deadline.hpp"

#include <algorithm>

namespace tallywire::round {
namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

constexpr std::size_t most_cameras_at_once = 32;
constexpr double settle_s = 3;         // looks at the switches and asks, before the streams
constexpr double most_path_bps = 10e9;

std::vector<Reading> unread_all(const std::string& subject, std::initializer_list<const char*> quantities, const std::string& why) {
  std::vector<Reading> out;
  for (const char* quantity : quantities) out.push_back(unread(subject, quantity, why, now_utc()));
  return out;
}

}  // namespace

std::vector<std::string> unknown_cameras(const config::Design& design, const RoundOrder& order) {
  std::vector<std::string> out;
  for (const auto& id : order.cameras)
    if (!design.find_camera(id)) out.push_back(id);
  return out;
}

Runner::Runner(const config::Design& design, RollKeeper& keeper, Instruments& instruments, LinkRoom& room,
               RoundListener& listener, Stop& stop, RunnerLimits limits)
    : design_(design),
      keeper_(keeper),
      instruments_(instruments),
      room_(room),
      listener_(listener),
      stop_(stop),
      limits_(limits),
      site_links_(design) {}

Patience Runner::patience(std::chrono::milliseconds limit, double seconds) const {
  return {limit + std::chrono::milliseconds(static_cast<std::int64_t>(seconds * 1000)), limits_.after_stop};
}

bool Runner::takes(const config::Camera& camera) const {
  return whole_site() || wanted_.contains(camera.id);
}

void Runner::take(std::vector<Reading> readings) {
  if (readings.empty()) return;
  readings_.insert(readings_.end(), readings.begin(), readings.end());
  listener_.read(readings);
}

asio::awaitable<nlohmann::json> Runner::run(RoundOrder order) {
  kind_ = order.kind;
  wanted_ = {order.cameras.begin(), order.cameras.end()};
  nights_ = std::move(order.nights);
  looks_ = std::move(order.looks);
  started_ = now_utc();
  TaskGroup side(co_await asio::this_coro::executor);
  doing_ = "looking at the switches";
  nlohmann::json document;
  std::exception_ptr failure;
  try {
    auto work = carry_out();
    side.spawn("progress", tick_progress());
    document = co_await std::move(work);
  } catch (...) {
    failure = std::current_exception();
  }
  ended_ = true;
  co_await side.join();
  if (failure) std::rethrow_exception(failure);
  co_return document;
}

asio::awaitable<nlohmann::json> Runner::carry_out() {
  if (room_.idle() || room_.links().empty()) see_links();  // what another round saw is newer
  auto first_plan = make_plan(settle_s);  // by what is known already, so that the length is said before anything is sent
  co_await std::move(first_plan);
  listener_.planned({{"kind", kind_},
                     {"site", design_.site.name},
                     {"design_sha256", design_.sha256},
                     {"started", to_rfc3339(started_)},
                     {"planned_s", planned_s_},
                     {"plan", plan_text_}});
  co_await look_at_links();
  co_await wait_for_absent();
  for (const auto& [hardware, seen_on] : placed_units(design_, looks_))
    keeper_.place(hardware, seen_on);
  if (!stop_.requested()) co_await ask_cameras();
  read_ports();
  see_links();
  if (!stop_.requested()) {
    auto plan = make_plan(elapsed_s());
    co_await std::move(plan);
    listener_.replanned(planned_s_, plan_text_);
  }
  co_await meter_streams();
  if (!stop_.requested() && whole_site()) co_await measure_path();
  if (!stop_.requested() && whole_site()) co_await measure_volumes();
  co_await wait_for_cut();
  read_days_held();
  doing_ = "reckoning the headroom";
  const auto headroom = co_await reckon_headroom();
  auto document = conclude(stop_.requested() ? "cancelled" : "complete", headroom);
  co_return document;
}

double Runner::elapsed_s() const {
  return std::chrono::duration<double>(now_utc() - started_).count();
}

asio::awaitable<void> Runner::tick_progress() {
  while (!ended_) {
    listener_.progressed(elapsed_s(), planned_s_, doing_);
    co_await pause_for(200ms);
  }
}

asio::awaitable<void> Runner::look_at_switch(const config::Switch& sw) {
  auto work = instruments_.look_at_switch(sw, stop_);
  auto outcome = co_await bounded<SwitchLook>(patience(limits_.look), stop_, std::move(work), "looking at switch " + sw.id);
  SwitchLook look;
  if (outcome)
    look = std::move(*outcome);
  else
    look.fault = outcome.error();
  for (const auto& port : ports_down(sw.id, look)) keeper_.port_down(port);
  for (const auto& address : look.own_addresses) keeper_.not_a_unit(address);
  looks_[sw.id] = std::move(look);
}

asio::awaitable<void> Runner::look_at_own_link() {
  auto work = instruments_.look_at_own_link(stop_);
  auto outcome = co_await bounded<OwnLink>(patience(limits_.look), stop_, std::move(work), "looking at this machine's link");
  if (outcome) own_link_ = *outcome;
}

asio::awaitable<void> Runner::look_at_links() {
  TaskGroup group(co_await asio::this_coro::executor);
  room_.begin_look();
  for (const auto& sw : design_.switches)
    if (sw.snmp) group.spawn("switch " + sw.id, look_at_switch(sw));
  group.spawn("this machine's link", look_at_own_link());
  co_await group.join();
}

// Units that were not heard yet are being asked by the watch; a round gives them a moment to answer.
asio::awaitable<void> Runner::wait_for_absent() {
  doing_ = "asking for units not seen yet";
  for (int i = 0; i < 15 && !stop_.requested(); ++i) {
    const auto& entries = keeper_.roll().entries();
    const bool all_here = std::all_of(entries.begin(), entries.end(), [this](const Entry& e) {
      const auto* camera = design_.find_camera(e.camera);
      return !camera || !takes(*camera) || is_here(e.presence);
    });
    if (all_here) break;
    co_await pause_for(200ms);
  }
}

// A stream that broke off may be the first sign of a unit that is gone: the round does not end before the roll can know.
asio::awaitable<void> Runner::wait_for_cut() {
  if (!cut_.empty()) doing_ = "waiting whether units whose streams broke off are still here";
  const std::chrono::duration<double> patience(1.5 * design_.limits.lost_after_s);
  for (const auto& [camera, when] : cut_)
    while (!stop_.requested() && is_here(keeper_.roll().find(camera)->presence) && now_utc() - when < patience) co_await pause_for(100ms);
}

asio::awaitable<void> Runner::ask_camera(const config::Camera& camera) {
  const auto subject = config::subject_of(camera);
  auto work = instruments_.ask_camera(camera, stop_);
  auto outcome = co_await bounded<Measured>(patience(limits_.asking), stop_, std::move(work), "asking " + subject);
  Measured measured;
  if (outcome) {
    measured = std::move(*outcome);
  } else {
    measured.fault = outcome.error();
    measured.readings.push_back(unread(subject, "clock_offset_s", outcome.error().sentence(), now_utc()));
  }
  last_read_[camera.id] = now_utc();
  const bool silent = measured.fault && (measured.fault->kind == FaultKind::unreachable ||
                                         measured.fault->kind == FaultKind::timed_out);
  const auto* entry = keeper_.roll().find(camera.id);
  const bool seen = entry && is_here(entry->presence);
  if (measured.fault && measured.fault->kind == FaultKind::unreachable && !seen)
    unreachable_[camera.id] = measured.fault->what;
  if (!silent) keeper_.heard(camera.id);
  take(std::move(measured.readings));
}

asio::awaitable<void> Runner::ask_cameras() {
  doing_ = "asking the units who they are";
  TaskGroup group(co_await asio::this_coro::executor);
  for (const auto& camera : design_.cameras) {
    if (!takes(camera)) continue;
    while (group.running() >= most_cameras_at_once) co_await group.wait_for_change();
    if (stop_.requested()) break;
    group.spawn("camera " + camera.id, ask_camera(camera));
  }
  co_await group.join();
}

void Runner::read_ports() {
  const auto when = now_utc();
  for (const auto& camera : design_.cameras)
    if (takes(camera))
      take(port_readings(camera, *keeper_.roll().find(camera.id), looks_, when));
  if (!whole_site()) return;
  for (const auto& sw : design_.switches) take(switch_readings(sw, looks_, when));
  take(verdict::power_readings(design_, readings_, when));
}

// No more than what the ceilings leave. Streams of other rounds wait meanwhile, as this waits for those that are open.
asio::awaitable<void> Runner::measure_path() {
  if (!design_.far_end) co_return;
  doing_ = "measuring the path to the far end";
  const auto [ticket, left_bps] = room_.take_all_left(site_links_.way_to_far_end(), most_path_bps);
  const HeldRoom held{room_, ticket};
  auto work = instruments_.measure_path(*design_.far_end, left_bps, path_seconds, stop_);
  auto outcome = co_await bounded<Measured>(patience(limits_.beyond_path, path_seconds), stop_, std::move(work), "measuring the path");
  if (outcome)
    take(std::move(outcome->readings));
  else
    take(unread_all(config::far_end_subject, {"tcp_goodput_bps", "round_trip_ms"}, outcome.error().sentence()));
}

// One after another: two on one disk would each read slow because of the other.
asio::awaitable<void> Runner::measure_volumes() {
  for (const auto& recorder : design_.recorders)
    for (const auto& volume : recorder.volumes) {
      if (stop_.requested()) co_return;
      doing_ = "writing to volume " + volume.id + " of " + recorder.id;
      auto work = instruments_.measure_volume(recorder, volume, volume_seconds, stop_);
      auto outcome = co_await bounded<Measured>(patience(limits_.beyond_volume, volume_seconds), stop_, std::move(work), "writing to volume " + volume.id);
      if (outcome)
        take(std::move(outcome->readings));
      else
        take(unread_all(config::subject_of(recorder, volume), {"sustained_write_bytes_per_s", "slowest_second_bytes_per_s"}, outcome.error().sentence()));
    }
}

}  // namespace tallywire::round
