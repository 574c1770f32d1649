// The rounds of the service: at most one of the whole site, and some proves of single units beside it. All share one account of
// what the links carry.
#include "daemon/site_service.hpp"

#include "daemon/verdict/retention.hpp"
#include "probes/deadline.hpp"

#include <nlohmann/json.hpp>
#include <spdlog/spdlog.h>

#include <algorithm>
#include <utility>

namespace tallywire {

namespace asio = boost::asio;

namespace {

constexpr std::ptrdiff_t most_proves_at_once = 4;
constexpr int nights_looked_at = 60;
constexpr int rounds_looked_at = 20;
constexpr int told_in_a_row = 500;  // verdicts; then the feed's listeners take theirs

constexpr auto between_tries = std::chrono::seconds(5);  // to keep the end of a round
constexpr auto look_for_stop = std::chrono::milliseconds(250);

void leave_summary(nlohmann::json& document) {
  for (const char* part : {"roll", "strangers", "verdicts", "findings", "headroom", "days_held", "drift"}) document.erase(part);
}

bool is_of_whole_site(const std::string& kind, const std::vector<std::string>& cameras) { return kind != "prove" || cameras.empty(); }

}  // namespace

// A round while it runs: what has been read so far, and who is told.
struct SiteService::RunningRound : round::RoundListener {
  RunningRound(SiteService& s, bool whole) : service(s), of_whole_site(whole) {}
  void planned(const nlohmann::json& h) override {
    head.update(h);
    service.parts_.feed.publish("round_started", {{"round", id},
                                                  {"kind", head.at("kind")},
                                                  {"planned_s", head.at("planned_s")},
                                                  {"plan", head.at("plan")}});
  }
  void replanned(double planned_s, const std::string& plan) override {
    head["planned_s"] = planned_s;
    head["plan"] = plan;
    service.parts_.feed.publish_passing("round_planned", {{"round", id}, {"planned_s", planned_s}, {"plan", plan}});
  }
  void progressed(double done_s, double planned_s, const std::string& text) override {
    const auto now = std::chrono::steady_clock::now();
    if (now - last_told < std::chrono::seconds(1) && text == last_text) return;
    last_told = now;
    last_text = text;
    service.parts_.feed.publish_passing(
        "round_progress",
        {{"round", id}, {"done_s", done_s}, {"planned_s", planned_s}, {"text", text}});
  }
  void read(const std::vector<Reading>& readings) override {
    auto& record = service.parts_.record;
    service.write("the readings of round " + std::to_string(id),
                  [&record, number = id, readings] { return record.add_readings(number, readings); });
    for (const auto& reading : readings) {
      nlohmann::json data = reading;
      data["round"] = id;
      service.parts_.feed.publish_passing("reading", data);
    }
  }

  // By an error of ours: its end is told all the same.
  nlohmann::json broken_off() const {
    nlohmann::json out = head;
    out["state"] = "broken_off";
    out["ended"] = to_rfc3339(now_utc());
    out["verdicts"] = nlohmann::json::array();
    out["counts"] = nullptr;
    return out;
  }

  SiteService& service;
  const bool of_whole_site;
  std::int64_t id = 0;  // 0 until the record has given one
  nlohmann::json head;
  Stop stop;
  std::chrono::steady_clock::time_point last_told{};
  std::string last_text;
};

// However a round ends, another one may begin.
struct SiteService::RoundOver {
  SiteService& service;
  const RunningRound& round;
  ~RoundOver() {
    std::erase_if(service.running_, [this](const auto& one) { return one.get() == &round; });
  }
};

struct SiteService::EndWaits {
  SiteService& service;
  std::int64_t id;
  ~EndWaits() { service.ends_unkept_.erase(id); }
};

bool SiteService::takes_no_more(const std::string& kind, const std::vector<std::string>& cameras) const {
  const bool whole = is_of_whole_site(kind, cameras);
  const auto alike = std::count_if(running_.begin(), running_.end(), [whole](const auto& one) { return one->of_whole_site == whole; });
  return alike >= (whole ? 1 : most_proves_at_once);
}

// The one of the whole site, else the newest.
const std::shared_ptr<SiteService::RunningRound>* SiteService::current() const {
  const std::shared_ptr<RunningRound>* out = nullptr;
  for (const auto& one : running_)
    if (one->id != 0 && (!out || !(*out)->of_whole_site)) out = &one;
  return out;
}

nlohmann::json SiteService::round_running() const {
  const auto* now = current();
  return now ? nlohmann::json((*now)->id) : nlohmann::json();
}

nlohmann::json SiteService::rounds_running() const {
  auto out = nlohmann::json::array();
  for (const auto& one : running_)
    if (one->id != 0) out.push_back(one->id);
  return out;
}

asio::awaitable<Outcome<std::int64_t>> SiteService::start_round(std::string kind, std::vector<std::string> cameras) {
  const bool whole = is_of_whole_site(kind, cameras);
  if (stopped_) co_return Fault{FaultKind::cancelled, "the service is ending", "", "try again when it runs"};
  if (takes_no_more(kind, cameras))
    co_return Fault{FaultKind::bad_request, whole ? "a round of the whole site is running already" : std::to_string(most_proves_at_once) + " units are being proven already",
                    "", "wait for its end, or cancel it"};
  round::RoundOrder order{kind, std::move(cameras)};
  const auto unknown = round::unknown_cameras(parts_.design, order);
  if (!unknown.empty())
    co_return Fault{FaultKind::bad_request, "the design knows no camera “" + unknown.front() + "”", "",
                 "see the ids in `tallywire arrivals`"};
  record::RoundHead head;
  head.kind = kind;
  head.state = "running";
  head.site = parts_.design.site.name;
  head.design_sha256 = parts_.design.sha256;
  head.started = now_utc();
  const auto starting = std::make_shared<RunningRound>(*this, whole);
  running_.push_back(starting);  // no other may begin in its place while the record gives this one its number
  std::function<Outcome<std::int64_t>()> begin = [&record = parts_.record, head] { return record.begin_round(head); };
  auto id = co_await offload<Outcome<std::int64_t>>(parts_.writing, std::move(begin));
  if (!id) {
    std::erase(running_, starting);
    write_failed("a round", id.error());
    co_return id.error();
  }
  write_went_well();
  starting->id = *id;
  starting->head = {{"round", *id},       {"kind", kind},
                    {"state", "running"}, {"site", head.site},
                    {"started", to_rfc3339(head.started)},
                    {"design_sha256", head.design_sha256}};
  tasks_.spawn("round " + std::to_string(*id), run_round(starting, std::move(order)));
  co_return *id;
}

// A stream that sent more than its promise last time is planned with that, also after the service has started anew.
asio::awaitable<void> SiteService::recall_rates() {
  if (std::exchange(rates_recalled_, true)) co_return;
  std::function<Outcome<std::vector<Reading>>()> read = [&record = parts_.record]() -> Outcome<std::vector<Reading>> {
    auto heads = record.rounds(rounds_looked_at);
    if (!heads) return heads.error();
    for (const auto& head : *heads)
      if (head.state == "complete" && head.kind != "prove") return record.readings_of(head.id);
    return std::vector<Reading>();
  };
  auto found = co_await offload<Outcome<std::vector<Reading>>>(parts_.writing, std::move(read));
  if (!found) {
    spdlog::error("the rates that the last round measured cannot be looked up: {}", found.error().sentence());
    co_return;
  }
  for (const auto& r : *found)
    if (r.quantity == "wire_bps" && r.number()) room_.learn(r.subject, *r.number());
}

asio::awaitable<void> SiteService::run_round(std::shared_ptr<RunningRound> running,
                                             round::RoundOrder order) {
  const RoundOver over{*this, *running};
  // What a unit says in one round is not the other's.
  auto beside = instruments_.beside();
  round::RealInstruments& instruments = running->of_whole_site ? instruments_ : beside;
  round::Runner runner(parts_.design, *this, instruments, room_, *running, running->stop);
  order.looks = looks_;
  co_await recall_rates();
  if (order.cameras.empty() || order.kind == "night") order.nights = co_await nights();
  nlohmann::json document;
  std::exception_ptr failure;
  try {
    document = co_await runner.run(std::move(order));
  } catch (...) {
    failure = std::current_exception();
  }
  if (failure) document = running->broken_off();
  document["round"] = running->id;
  auto kept = co_await nights_.end_round(running->id, document);
  if (kept) {
    write_went_well();
  } else {
    ends_unkept_.insert(running->id);
    write_failed("the end of round " + std::to_string(running->id), kept.error());
    tasks_.spawn("keeping the end of round " + std::to_string(running->id), keep_end(running->id, document));
  }
  int told = 0;
  for (const auto& verdict : document.at("verdicts")) {
    nlohmann::json data = verdict;
    data["round"] = running->id;
    parts_.feed.publish_passing("verdict", data);
    if (++told % told_in_a_row == 0) co_await pause_for(std::chrono::milliseconds(2));
  }
  leave_summary(document);
  parts_.feed.publish("round_ended", document);
  if (parts_.after_round) parts_.after_round();
  if (failure) std::rethrow_exception(failure);  // into the log
  spdlog::info("round {} {}: {}", running->id, document.at("state").get<std::string>(),
               json_line(document.at("counts")));
}

// Of a round that is over, while others may run: until it is kept, or, for a last time, when the service stops.
asio::awaitable<void> SiteService::keep_end(std::int64_t id, nlohmann::json document) {
  const EndWaits waits{*this, id};
  for (bool last = false; !last;) {
    const auto next = std::chrono::steady_clock::now() + between_tries;
    while (!stopped_ && std::chrono::steady_clock::now() < next) co_await pause_for(look_for_stop);
    last = stopped_;
    auto kept = co_await nights_.end_round(id, document);
    if (!kept) {
      write_failed("the end of round " + std::to_string(id), kept.error());
      continue;
    }
    ends_unkept_.erase(id);
    write_went_well();
    spdlog::info("the end of round {} is kept now", id);
    leave_summary(document);
    parts_.feed.publish("round_ended", document);
    co_return;
  }
}

// Rounds that a killed service left running: whoever followed them is told that they are over.
Outcome<void> SiteService::tell_broken_off() {
  for (const auto id : parts_.record.broken_off_at_open()) {
    auto heads = parts_.record.rounds_between(id, id, SystemTime{}, 0, 1);
    if (!heads) return heads.error();
    for (const auto& head : *heads) parts_.feed.publish("round_ended", record::summary_of(head));
  }
  return {};
}

// What the last nights sent, of every stream that something records.
asio::awaitable<std::vector<verdict::NightRate>> SiteService::nights() {
  std::function<Outcome<std::vector<verdict::NightRate>>()> read = [&design = parts_.design, &record = parts_.record]() -> Outcome<std::vector<verdict::NightRate>> {
    std::set<std::string> streams;
    for (const auto& store : verdict::stores_of(design)) streams.insert(store.streams.begin(), store.streams.end());
    auto read_by_nights = record.numbers_of_nights("payload_bps", nights_looked_at);
    if (!read_by_nights) return read_by_nights.error();
    std::vector<verdict::NightRate> out;
    for (const auto& n : read_by_nights->numbers)
      if (const auto& subject = read_by_nights->subjects[n.subject]; streams.contains(subject)) out.push_back({n.round, n.when, subject, n.number});
    return out;
  };
  auto found = co_await offload<Outcome<std::vector<verdict::NightRate>>>(parts_.writing, std::move(read));
  if (!found) spdlog::error("what earlier nights read cannot be looked up: {}", found.error().sentence());
  co_return found ? std::move(*found) : std::vector<verdict::NightRate>();
}

bool SiteService::cancel_round(std::optional<std::int64_t> id) {
  if (!id) {
    const auto* now = current();
    if (now) (*now)->stop.request();
    return now != nullptr;
  }
  for (const auto& one : running_)
    if (one->id == *id) {
      one->stop.request();
      return true;
    }
  return false;
}

void SiteService::cancel_rounds() {
  for (const auto& one : running_) one->stop.request();
}

}  // namespace tallywire
