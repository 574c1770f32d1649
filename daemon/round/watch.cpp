#include "daemon/round/watch.hpp"

#include "probes/arrivals/asker.hpp"
#include "probes/arrivals/listener.hpp"

#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>

#include <atomic>
#include <mutex>

namespace tallywire::round {

namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

constexpr auto beat = 500ms;
// Frames wait here for the network thread; a flood beyond this is dropped rather than kept.
constexpr std::size_t most_waiting = 4096;

const char* name_of(arrivals::ListenerState state) {
  switch (state) {
    case arrivals::ListenerState::listening: return "listening";
    case arrivals::ListenerState::down: return "down";
    case arrivals::ListenerState::gone: return "gone";
  }
  return "gone";
}

// LLDP tells of switches' ports; presence is told by ARP.
std::optional<Sight> sight_of(const arrivals::Sighting& s) {
  if (!s.arp || s.arp->sender.is_group() || s.arp->sender.is_zero()) return std::nullopt;
  const auto owned = s.arp->owned();
  return Sight{s.arp->sender.text(), owned ? wire::text_of(*owned) : std::string(), s.when};
}

}  // namespace

struct Watch::State : std::enable_shared_from_this<Watch::State> {
  State(asio::any_io_executor e, Roll& r, OnChanges c, OnInterface i)
      : executor(e), roll(r), on_changes(std::move(c)), on_interface(std::move(i)), timer(e) {}

  struct Ear {
    WatchedInterface watched;
    std::unique_ptr<arrivals::Listener> listener;
    std::unique_ptr<arrivals::Asker> asker;
  };

  Outcome<void> open(Ear& ear);
  void take_waiting();
  void tick();

  asio::any_io_executor executor;
  Roll& roll;
  OnChanges on_changes;
  OnInterface on_interface;
  asio::steady_timer timer;
  std::vector<std::unique_ptr<Ear>> ears;
  bool stopped = false;
  std::mutex lock;              // of what follows: filled by the capture threads
  std::vector<Sight> waiting;
  bool posted = false;
};

Watch::Watch(asio::any_io_executor executor, Roll& roll, std::vector<std::string> interfaces,
             OnChanges on_changes, OnInterface on_interface)
    : state_(std::make_shared<State>(executor, roll, std::move(on_changes), std::move(on_interface))) {
  for (auto& name : interfaces) {
    auto ear = std::make_unique<State::Ear>();
    ear->watched = {name, "down", ""};
    state_->ears.push_back(std::move(ear));
  }
}

Watch::~Watch() { stop(); }

Outcome<void> Watch::State::open(Ear& ear) {
  const auto self = weak_from_this();
  const auto on_sighting = [self, exec = executor](const arrivals::Sighting& s) {
    const auto state = self.lock();
    const auto sight = sight_of(s);
    if (!state || !sight) return;
    const std::lock_guard hold(state->lock);
    if (state->waiting.size() >= most_waiting) return;
    state->waiting.push_back(*sight);
    if (state->posted) return;
    state->posted = true;
    asio::post(exec, [self] {
      if (const auto again = self.lock()) again->take_waiting();
    });
  };
  const auto on_state = [self, exec = executor, at = &ear](arrivals::ListenerState now, const std::string& note) {
    asio::post(exec, [self, at, now, note] {
      const auto state = self.lock();
      if (!state || state->stopped) return;
      at->watched.state = name_of(now);
      at->watched.note = note;
      if (now != arrivals::ListenerState::listening) at->asker = std::make_unique<arrivals::Asker>(at->watched.interface);
      state->on_interface(at->watched);
    });
  };
  auto listener = arrivals::Listener::open(ear.watched.interface, on_sighting, on_state);
  if (!listener) return listener.error();
  ear.listener = std::move(*listener);
  ear.asker = std::make_unique<arrivals::Asker>(ear.watched.interface);
  ear.watched.state = "listening";
  return {};
}

void Watch::State::take_waiting() {
  std::vector<Sight> taken;
  {
    const std::lock_guard hold(lock);
    taken.swap(waiting);
    posted = false;
  }
  if (stopped) return;
  for (const auto& sight : taken) {
    const auto changes = roll.see(sight);
    if (!changes.cameras.empty() || !changes.strangers.empty()) on_changes(changes);
  }
}

void Watch::State::tick() {
  if (stopped) return;
  const auto now = now_utc();
  const auto due = roll.take_due_asks(now);
  bool heard = false;
  for (const auto& ear : ears) {
    heard = heard || ear->watched.state == "listening";
    if (!due.empty() && ear->watched.state == "listening") {
      auto asked = ear->asker->ask(due, now);
      if (!asked) ear->watched.note = asked.error().what;
    }
  }
  // While no interface hears anything, silence says nothing of the units.
  if (heard) {
    const auto changes = roll.tick(now);
    if (!changes.cameras.empty()) on_changes(changes);
  }
  timer.expires_after(beat);
  timer.async_wait([self = weak_from_this()](const boost::system::error_code& code) {
    const auto state = self.lock();
    if (!code && state) state->tick();
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
  for (auto& ear : state_->ears) ear->listener.reset();
}

std::vector<WatchedInterface> Watch::interfaces() const {
  std::vector<WatchedInterface> out;
  for (const auto& ear : state_->ears) out.push_back(ear->watched);
  return out;
}

std::set<std::string> own_hardware_addresses() {
  const auto all = arrivals::own_hardware_addresses();
  return {all.begin(), all.end()};
}

}  // namespace tallywire::round
