#include "daemon/site_service.hpp"

#include "config/design_json.hpp"
#include "probes/deadline.hpp"

#include <boost/asio/post.hpp>
#include <nlohmann/json.hpp>
#include <spdlog/spdlog.h>

namespace tallywire {

namespace asio = boost::asio;

namespace {

constexpr std::size_t most_asks_at_once = 8;
constexpr std::size_t asks_remembered = 64;
constexpr std::chrono::seconds ask_patience{60};

nlohmann::json fault_json(const Fault& fault) {
  return {{"error",
           {{"kind", name_of(fault.kind)},
            {"what", fault.what},
            {"where", fault.where},
            {"try_next", fault.try_next}}}};
}

}  // namespace

struct SiteService::Ask {
  std::int64_t id = 0;
  bool done = false;
  nlohmann::json progress = {{"done_s", 0}, {"total_s", 0}, {"text", ""}};
  round::AskAnswer answer;
  Stop stop;
  std::chrono::steady_clock::time_point looked_after = std::chrono::steady_clock::now();
};

SiteService::SiteService(SiteServiceParts parts, std::vector<std::string> interfaces, std::optional<config::HeldTapSettings> tap,
                         std::chrono::seconds between_looks)
    : parts_(parts),
      interfaces_(interfaces),
      started_(now_utc()),
      roll_(parts.design, round::own_hardware_addresses(), started_),
      instruments_(parts.secrets, parts.blocking),
      asks_(parts.secrets, parts.blocking, &parts.design),
      watch_(
          parts.context.get_executor(), parts.design, roll_, std::move(interfaces),
          {[this](const round::Changes& changes) { tell(changes); },
           [this](const round::WatchedInterface& w) {
             parts_.feed.publish("interface", {{"interface", w.interface},
                                               {"called_now", w.called_now},
                                               {"state", w.state},
                                               {"at", to_rfc3339(now_utc())},
                                               {"note", w.note}});
           },
           [this](const verdict::Finding& finding, bool is_over) { tell(finding, is_over); }}),
      bench_instruments_(parts.secrets, parts.blocking),
      bench_(parts.context.get_executor(), bench_parts()),
      looking_(parts.secrets, parts.blocking),
      nights_({parts.context, parts.design, parts.record, parts.feed, parts.writing, parts.blocking, *this}, parts.telling, parts.secrets),
      tasks_(parts.context.get_executor()),
      between_looks_(between_looks),
      next_look_(parts.context) {
  instruments_.set_far_end(parts.design.far_end);
  instruments_.set_interfaces(interfaces_);
  instruments_.set_kept_free(parts.design.limits.volume_kept_free_ratio);
  if (tap) hold_taps(*tap);
}

SiteService::~SiteService() = default;

Outcome<void> SiteService::start() {
  auto saved = parts_.record.roll();
  if (!saved) return saved.error();
  if (*saved) roll_.restore(**saved, now_utc());
  parts_.feed.on_outcome([this](const Outcome<void>& kept) { kept ? write_went_well() : write_failed("an event", kept.error()); });
  if (auto told = tell_broken_off(); !told) return told;
  auto listening = watch_.start();
  if (listening && taps_) taps_->start();
  if (listening) start_switch_looks();
  if (listening) nights_.start();
  return listening;
}

void SiteService::stop() {
  stopped_ = true;
  watch_.stop();
  nights_.stop();
  bench_.end();
  stop_switch_looks();
  if (taps_) taps_->stop();
  cancel_rounds();
  for (auto& [id, ask] : asked_) ask->stop.request();
}

// ---- the record ---------------------------------------------------------------------------------

void SiteService::write(std::string what, std::function<Outcome<void>()> action) {
  asio::post(parts_.writing, [this, what = std::move(what), action = std::move(action)] {
    auto outcome = action();
    asio::post(parts_.context, [this, what, outcome] {
      if (outcome)
        write_went_well();
      else
        write_failed(what, outcome.error());
    });
  });
}

// Said at once and once: the feed and the log, not a line for every reading.
void SiteService::write_failed(const std::string& what, const Fault& fault) {
  const auto sentence = fault.sentence();
  if (record_fault_ == sentence) return;
  record_fault_ = sentence;
  spdlog::error("{} could not be kept: {}", what, sentence);
  parts_.feed.publish_passing("record_fault", fault_json(fault).at("error"));
}

// The fault stays while the end of a round waits to be kept.
void SiteService::write_went_well() {
  if (ends_unkept_.empty()) record_fault_.clear();
}

// A site that powers up at once changes the roll hundreds of times: what changes while it is written is written after it.
void SiteService::save_roll() {
  roll_has_changed_ = roll_is_being_saved_;
  if (roll_is_being_saved_) return;
  roll_is_being_saved_ = true;
  auto& record = parts_.record;
  auto entries = roll_.entries();
  write("the roll", [this, &record, entries = std::move(entries)] {
    std::string text = "[";
    for (const auto& entry : entries) text += (text.size() > 1 ? "," : "") + json_line(entry);
    auto outcome = record.save_roll(text + "]");
    asio::post(parts_.context, [this] {
      roll_is_being_saved_ = false;
      if (roll_has_changed_) save_roll();
    });
    return outcome;
  });
}

// ---- the roll -----------------------------------------------------------------------------------

void SiteService::tell(const round::Changes& changes) {
  for (const auto& change : changes.cameras) {
    nlohmann::json data = change.entry;
    data["was"] = name_of(change.was);
    data["at"] = data.at("since");
    data.erase("since");
    spdlog::info("{}: {} -> {} {}", change.entry.camera, name_of(change.was),
                 name_of(change.entry.presence), change.entry.reason);
    parts_.feed.publish("presence", data);
  }
  for (const auto& stranger : changes.strangers) {
    spdlog::info("a stranger: {} {}", stranger.hardware_address, stranger.address);
    parts_.feed.publish("stranger", {{"hardware_address", stranger.hardware_address},
                                     {"address", stranger.address},
                                     {"at", to_rfc3339(stranger.first_seen)},
                                     {"seen_on", stranger.seen_on},
                                     {"maker", stranger.maker},
                                     {"name", stranger.name}});
  }
  if (!changes.cameras.empty()) save_roll();
}

void SiteService::heard(const std::string& camera) { tell(roll_.heard(camera, now_utc())); }

void SiteService::place(const std::string& hardware_address, const std::string& seen_on) {
  roll_.place(hardware_address, seen_on);
  watch_.place(hardware_address, seen_on);
}

void SiteService::port_down(const std::string& switch_port) { tell(roll_.port_down(switch_port, now_utc())); }

void SiteService::tell(const verdict::Finding& finding, bool is_over) {
  nlohmann::json data = finding;
  data["at"] = to_rfc3339(now_utc());
  spdlog::info("{}{}: {}", is_over ? "over: " : "", finding.id, finding.sentence);
  parts_.feed.publish(is_over ? "finding_over" : "finding", data);
}

// Rounds that run side by side may have read one unit: the newer reading stands, whichever ends first.
void SiteService::judged(const std::string& camera, round::Presence is, const std::string& reason, SystemTime as_of) {
  auto& judged_as_of = judged_as_of_[camera];
  if (as_of < judged_as_of) return;
  judged_as_of = as_of;
  tell(roll_.judged(camera, is, reason, now_utc()));
}

// ---- what the API asks --------------------------------------------------------------------------

nlohmann::json SiteService::describe() {
  return {{"version", TALLYWIRE_VERSION},
          {"started", to_rfc3339(started_)},
          {"site", parts_.design.site.name},
          {"design_sha256", parts_.design.sha256},
          {"round_running", round_running()},
          {"rounds_running", rounds_running()},
          {"interfaces", interfaces_},
          {"taps", taps_json()},
          {"next_night", nights_.next_night()},
          {"record_fault", record_fault_.empty() ? nlohmann::json() : nlohmann::json(record_fault_)}};
}

nlohmann::json SiteService::site() { return config::to_json(parts_.design); }

nlohmann::json SiteService::roll_json() const {
  nlohmann::json watching = nlohmann::json::array();
  for (const auto& w : watch_.interfaces())
    watching.push_back({{"interface", w.interface}, {"called_now", w.called_now}, {"state", w.state}, {"note", w.note}});
  return {{"cameras", roll_.entries()}, {"strangers", roll_.strangers()}, {"findings", watch_.findings()}, {"watching", watching}};
}

std::size_t SiteService::busy_asks() const {
  std::size_t busy = 0;
  for (const auto& [id, ask] : asked_) busy += !ask->done;
  return busy;
}

Outcome<std::int64_t> SiteService::start_ask(const std::string& command, const nlohmann::json& arguments) {
  if (!round::Asks::knows(command))
    return Fault{FaultKind::bad_request, "nothing answers to “" + command + "”", "",
                 "stream, tap, link, switch, path, rehearse or volume"};
  if (busy_asks() >= most_asks_at_once)
    return Fault{FaultKind::bad_request, "too many measurements run already", "", "wait for one to end"};
  while (asked_.size() >= asks_remembered && asked_.begin()->second->done) asked_.erase(asked_.begin());
  auto ask = std::make_shared<Ask>();
  ask->id = next_ask_++;
  asked_[ask->id] = ask;
  tasks_.spawn("ask " + std::to_string(ask->id), run_ask(ask, command, arguments));
  return ask->id;
}

asio::awaitable<void> SiteService::run_ask(std::shared_ptr<Ask> ask, std::string command,
                                           nlohmann::json arguments) {
  round::AskProgress progress = [ask](double done_s, double total_s, const std::string& text) {
    ask->progress = {{"done_s", done_s}, {"total_s", total_s}, {"text", text}};
  };
  struct Done {
    Ask& ask;
    ~Done() { ask.done = true; }
  };
  const Done done{*ask};
  ask->answer = {fault_json({FaultKind::system, "the measurement broke off", command, "look in the log"}), 3};
  tasks_.spawn("looking after ask " + std::to_string(ask->id), end_when_forgotten(ask));
  auto answer = co_await asks_.carry_out(std::move(command), std::move(arguments), std::move(progress),
                                         ask->stop);
  ask->answer = std::move(answer);
}

// Whoever asked was killed or went away: what it asked for would go on writing or sending for nobody.
asio::awaitable<void> SiteService::end_when_forgotten(std::shared_ptr<Ask> ask) {
  while (!ask->done && !ask->stop.requested()) {
    if (std::chrono::steady_clock::now() - ask->looked_after > ask_patience) {
      spdlog::info("ask {} is ended: nobody looks after it any more", ask->id);
      ask->stop.request();
    }
    co_await pause_for(std::chrono::milliseconds(500));
  }
}

std::optional<nlohmann::json> SiteService::ask(std::int64_t id) {
  const auto at = asked_.find(id);
  if (at == asked_.end()) return std::nullopt;
  at->second->looked_after = std::chrono::steady_clock::now();
  const auto& ask = *at->second;
  return nlohmann::json{{"ask", id},
                        {"state", ask.done ? "done" : "running"},
                        {"progress", ask.progress},
                        {"answer", ask.done ? ask.answer.answer : nlohmann::json()},
                        {"exit_code", ask.done ? nlohmann::json(ask.answer.exit_code) : nlohmann::json()}};
}

bool SiteService::cancel_ask(std::int64_t id) {
  const auto at = asked_.find(id);
  if (at == asked_.end()) return false;
  at->second->stop.request();
  return true;
}

}  // namespace tallywire
