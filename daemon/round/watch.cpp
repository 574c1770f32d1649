#include "daemon/round/watch.hpp"

#include "daemon/round/seen_units.hpp"
#include "probes/arrivals/asker.hpp"
#include "probes/arrivals/listener.hpp"

#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <map>
#include <mutex>

namespace tallywire::round {

namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

constexpr auto beat = 500ms;
constexpr auto sweep_beat = 50ms;
constexpr auto sweep_answers = 2s;       // after the last address was asked
constexpr auto between_discoveries = 60s;
constexpr auto between_searches = 2s;    // for conflicts
// Frames wait here for the network thread; a flood beyond this is dropped rather than kept.
constexpr std::size_t most_waiting = 8192;

const char* name_of(arrivals::ListenerState state) {
  switch (state) {
    case arrivals::ListenerState::listening: return "listening";
    case arrivals::ListenerState::down: return "down";
    case arrivals::ListenerState::gone: return "gone";
  }
  return "gone";
}

}  // namespace

struct Watch::State : std::enable_shared_from_this<Watch::State> {
  State(asio::any_io_executor e, const config::Design& d, Roll& r, WatchListener l)
      : executor(e), design(d), roll(r), listener(std::move(l)), timer(e), sweep_timer(e), makers(arrivals::MakerNames::load()),
        table(&makers, arrivals::own_hardware_addresses()) {}

  struct Ear {
    WatchedInterface watched;
    std::unique_ptr<arrivals::Listener> listener;
    std::unique_ptr<arrivals::Asker> asker;
    std::optional<SystemTime> discovered;
    std::string asking_fault;  // why the last ask could not be sent
    bool listens() const { return watched.state == "listening"; }
  };
  struct Waiting {
    arrivals::Sighting sighting;
    Ear* ear;
  };

  Outcome<void> open(Ear& ear);
  void take_waiting();
  void see(std::size_t unit);
  void tick();
  void ask(SystemTime now);
  void search(SystemTime now);
  void sweep_on();
  std::string placed_at(const std::string& hardware_address) const {
    const auto at = placed.find(hardware_address);
    return at == placed.end() ? std::string() : at->second;
  }
  Placed places() const {
    return [this](const std::string& address) { return placed_at(address); };
  }
  std::vector<verdict::Finding> findings() const;

  asio::any_io_executor executor;
  const config::Design& design;
  Roll& roll;
  WatchListener listener;
  asio::steady_timer timer, sweep_timer;
  std::vector<std::unique_ptr<Ear>> ears;
  arrivals::MakerNames makers;
  arrivals::UnitTable table;
  std::map<std::string, std::string> placed;
  std::map<std::pair<std::string, std::string>, verdict::Finding> told;  // (id, subject)
  SystemTime searched{};
  bool has_news = false;  // since the last search
  std::optional<Sweep> sweep;
  std::uint64_t sweep_number = 0;  // a timer of an earlier one may be on its way
  Ear* sweep_ear = nullptr;
  bool stopped = false;
  std::mutex lock;  // of what follows: filled by the capture threads
  std::vector<Waiting> waiting;
  bool posted = false;
};

Watch::Watch(asio::any_io_executor executor, const config::Design& design, Roll& roll, std::vector<std::string> interfaces, WatchListener listener)
    : state_(std::make_shared<State>(executor, design, roll, std::move(listener))) {
  for (auto& name : interfaces) {
    auto ear = std::make_unique<State::Ear>();
    ear->watched = {name, name, "down", ""};
    state_->ears.push_back(std::move(ear));
  }
}

Watch::~Watch() { stop(); }

Outcome<void> Watch::State::open(Ear& ear) {
  const auto self = weak_from_this();
  const auto on_sighting = [self, exec = executor, at = &ear](const arrivals::Sighting& s) {
    const auto state = self.lock();
    if (!state) return;
    const std::lock_guard hold(state->lock);
    if (state->waiting.size() >= most_waiting) return;
    state->waiting.push_back({s, at});
    if (state->posted) return;
    state->posted = true;
    asio::post(exec, [self] {
      if (const auto again = self.lock()) again->take_waiting();
    });
  };
  const auto on_state = [self, exec = executor, at = &ear](const arrivals::ListenerNews& news) {
    asio::post(exec, [self, at, news] {
      const auto state = self.lock();
      if (!state || state->stopped) return;
      at->watched.state = name_of(news.state);
      at->watched.note = news.note;
      at->watched.called_now = news.interface;
      state->table.set_own(arrivals::own_hardware_addresses());
      if (news.state != arrivals::ListenerState::listening || at->asker->interface() != news.interface) {
        at->asker->follow(news.interface);
        at->discovered.reset();
      }
      state->listener.on_interface(at->watched);
    });
  };
  ear.asker = std::make_unique<arrivals::Asker>(ear.watched.interface);
  auto opened = arrivals::Listener::open(ear.watched.interface, on_sighting, on_state);
  if (!opened) return opened.error();
  ear.listener = std::move(*opened);
  ear.watched.state = "listening";
  return {};
}

void Watch::State::take_waiting() {
  std::vector<Waiting> taken;
  {
    const std::lock_guard hold(lock);
    taken.swap(waiting);
    posted = false;
  }
  if (stopped) return;
  for (const auto& one : taken) {
    for (const auto& heard : table.hear(one.sighting, one.ear->watched.interface)) {
      has_news = has_news || heard.fresh || heard.told_new || heard.started;
      see(heard.unit);
    }
  }
}

void Watch::State::see(std::size_t unit) {
  const auto changes = roll.see(sight_of(table.units()[unit], places()));
  if (changes.matched) table.keep(unit);
  if (!changes.cameras.empty() || !changes.strangers.empty()) listener.on_changes(changes);
}

void Watch::State::tick() {
  if (stopped) return;
  const auto now = now_utc();
  ask(now);
  std::set<std::string> listening;
  for (const auto& ear : ears)
    if (ear->listens()) listening.insert(ear->watched.interface);
  const auto changes = roll.tick(now, listening);
  if (!changes.cameras.empty()) listener.on_changes(changes);
  search(now);
  timer.expires_after(beat);
  timer.async_wait([self = weak_from_this()](const boost::system::error_code& code) {
    const auto state = self.lock();
    if (!code && state) state->tick();
  });
}

// Which interface leads to an awaited unit is not known: it is asked for on each of them that has an address to ask from.
void Watch::State::ask(SystemTime now) {
  std::size_t most = 0;
  std::vector<Ear*> addressed;
  for (const auto& ear : ears) {
    if (!ear->listens()) continue;
    if (ear->asker->has_address()) addressed.push_back(ear.get());
    most = std::max(most, ear->asker->allowed(now));
    if (ear->discovered && now - *ear->discovered < between_discoveries) continue;
    ear->discovered = now;
    const auto done = ear->asker->discover(now);
    ear->asking_fault = done ? "" : done.error().what;
  }
  for (const auto& due : roll.due_asks(now, most, !addressed.empty())) {
    bool sent = false;
    for (const auto& ear : ears) {
      const bool leads_there = due.interface.empty() ? std::find(addressed.begin(), addressed.end(), ear.get()) != addressed.end()
                                                     : ear->watched.interface == due.interface;
      if (!ear->listens() || !leads_there) continue;
      const auto asked = ear->asker->ask(due.address, due.vlans, now);
      if (!asked) ear->asking_fault = asked.error().what;
      sent = sent || (asked && *asked);
    }
    if (sent) roll.asked(due.camera, now);
  }
}

std::vector<verdict::Finding> Watch::State::findings() const {
  auto arrivals = arrivals_of(table, &roll, places());
  arrivals.own.emplace();
  for (const auto& subnet : arrivals::own_subnets()) {
    const auto watched = [&subnet](const auto& ear) { return ear->watched.called_now == subnet.interface; };
    if (std::any_of(ears.begin(), ears.end(), watched)) arrivals.own->push_back({subnet.interface, wire::text_of(subnet.address), subnet.prefix_bits});
  }
  return verdict::find_arrival_conflicts(&design, arrivals, now_utc());
}

void Watch::State::search(SystemTime now) {
  constexpr auto in_any_case = 10s;  // conflicts also end by time
  if (!listener.on_finding || now - searched < (has_news ? std::chrono::seconds(between_searches) : in_any_case)) return;
  searched = now;
  has_news = false;
  std::map<std::pair<std::string, std::string>, verdict::Finding> found;
  for (auto& finding : findings()) found.try_emplace({finding.id, finding.subject}, finding);
  for (const auto& [key, finding] : found)
    if (!told.contains(key)) listener.on_finding(finding, false);
  for (const auto& [key, finding] : told)
    if (!found.contains(key)) listener.on_finding(finding, true);
  told = std::move(found);
}

void Watch::State::sweep_on() {
  if (stopped || !sweep || sweep->has_ended()) return;
  const auto now = now_utc();
  const auto due = sweep->take_due(now);
  for (const auto& address : due) {
    if (sweep_ear->listens() && sweep_ear->asker->sweep(address, now)) continue;
    sweep->end(now);  // what was asked is told
    return;
  }
  const bool last = sweep->is_asked();
  sweep_timer.expires_after(last ? std::chrono::milliseconds(sweep_answers) : sweep_beat);
  sweep_timer.async_wait([self = weak_from_this(), last, number = sweep_number](const boost::system::error_code& code) {
    const auto state = self.lock();
    if (code || !state || number != state->sweep_number) return;
    if (last && state->sweep)
      state->sweep->end(now_utc());
    else
      state->sweep_on();
  });
}

Outcome<void> Watch::start() {
  for (auto& ear : state_->ears)
    if (auto opened = state_->open(*ear); !opened) return opened.error();
  state_->tick();
  return {};
}

void Watch::stop() {
  state_->stopped = true;
  state_->timer.cancel();
  state_->sweep_timer.cancel();
  for (auto& ear : state_->ears) ear->listener.reset();
}

std::vector<WatchedInterface> Watch::interfaces() const {
  std::vector<WatchedInterface> out;
  for (const auto& ear : state_->ears) {
    out.push_back(ear->watched);
    if (out.back().note.empty() && ear->listens()) out.back().note = ear->asking_fault;
  }
  return out;
}

void Watch::place(const std::string& hardware_address, const std::string& seen_on) {
  auto& placed = state_->placed;
  if (placed.size() >= arrivals::UnitTable::most_units && !placed.contains(hardware_address)) return;
  placed[hardware_address] = seen_on;
  state_->has_news = true;
  const auto address = wire::decode_mac(hardware_address);
  const auto* unit = address ? state_->table.find(*address) : nullptr;
  if (unit) state_->see(static_cast<std::size_t>(unit - state_->table.units().data()));
}

Outcome<void> Watch::sweep(const std::string& range, double rate_per_s, const std::string& interface) {
  const auto now = now_utc();
  if (state_->sweep && !state_->sweep->has_ended())
    return Fault{FaultKind::bad_request, "a sweep runs already", "", "wait for its end, or cancel it"};
  State::Ear* chosen = nullptr;
  for (const auto& ear : state_->ears)
    if (interface.empty() ? state_->ears.size() == 1 : ear->watched.interface == interface || ear->watched.called_now == interface) chosen = ear.get();
  if (!chosen)
    return Fault{FaultKind::bad_request, interface.empty() ? "several interfaces are listened to" : "that interface is not listened to", interface,
                 "name one of those that `tallywire arrivals` lists with --interface"};
  if (!chosen->listens()) return Fault{FaultKind::bad_request, "the interface has no link", chosen->watched.interface, "plug it in first"};
  if (!chosen->asker->has_address())
    return Fault{FaultKind::bad_request, "the interface has no IPv4 address to sweep from", chosen->watched.interface,
                 "give it one: asked without an address, units that just start would take it for a conflict"};
  auto made = Sweep::of(range, rate_per_s, now);
  if (!made) return made.error();
  state_->sweep_timer.cancel();
  ++state_->sweep_number;
  state_->sweep = std::move(*made);
  state_->sweep_ear = chosen;
  state_->sweep_on();
  return {};
}

void Watch::cancel_sweep() {
  state_->sweep_timer.cancel();
  if (state_->sweep && !state_->sweep->has_ended()) state_->sweep->end(now_utc());
}

std::vector<verdict::Finding> Watch::findings() const { return state_->findings(); }

std::map<std::string, std::vector<SystemTime>> Watch::starts() const {
  std::map<std::string, std::vector<SystemTime>> out;
  for (const auto& unit : state_->table.units()) {
    if (unit.number == 0 || unit.starts.empty()) continue;
    const auto* entry = state_->roll.match(sight_of(unit, state_->places())).first;
    if (!entry) continue;
    auto& of_camera = out[entry->camera];
    of_camera.insert(of_camera.end(), unit.starts.begin(), unit.starts.end());
    std::sort(of_camera.begin(), of_camera.end());
  }
  return out;
}

std::string Watch::units() const {
  constexpr std::size_t octets_of_a_unit = 500, octets_of_a_fact = 220;
  std::size_t facts = 0;
  for (const auto& unit : state_->table.units()) facts += unit.facts.size();
  std::string out;
  out.reserve(state_->table.units().size() * octets_of_a_unit + facts * octets_of_a_fact);
  out = "{\"units\":[";
  for (const auto& unit : state_->table.units()) {
    if (unit.number == 0) continue;
    if (out.back() != '[') out += ',';
    out += json_line(unit_json(unit, &state_->roll, state_->places()));
  }
  out += "],\"dhcp_servers\":" + json_line(state_->table.dhcp_servers());
  return out + ",\"forgotten_units\":" + std::to_string(state_->table.forgotten()) + "}";
}

nlohmann::json Watch::asked() const {
  std::vector<arrivals::Ask> all;
  std::uint64_t count = 0;
  for (const auto& ear : state_->ears) {
    if (!ear->asker) continue;
    for (const auto* list : {&ear->asker->asked(), &ear->asker->swept()}) all.insert(all.end(), list->begin(), list->end());
    count += ear->asker->count();
  }
  std::stable_sort(all.begin(), all.end(), [](const auto& a, const auto& b) { return a.when < b.when; });
  nlohmann::json list = nlohmann::json::array();
  for (const auto& one : all)
    list.push_back({{"at", to_rfc3339(one.when)}, {"kind", arrivals::name_of(one.kind)}, {"interface", one.interface}, {"address", one.address}});
  return {{"asked", std::move(list)}, {"asked_frames", count}};
}

nlohmann::json Watch::sweep() const { return state_->sweep ? nlohmann::json(*state_->sweep) : nlohmann::json(); }

std::set<std::string> own_hardware_addresses() {
  std::set<std::string> out;
  for (const auto& address : arrivals::own_hardware_addresses()) out.insert(address.text());
  return out;
}

}  // namespace tallywire::round
