#include "daemon/site_nights.hpp"

#include "daemon/night_record.hpp"
#include "daemon/nights.hpp"
#include "probes/deadline.hpp"

#include <boost/asio/redirect_error.hpp>
#include <curl/curl.h>
#include <spdlog/spdlog.h>

namespace tallywire {

namespace asio = boost::asio;
using nlohmann::json;
using namespace std::chrono_literals;
using WholeRound = record::Record::WholeRound;

namespace {

constexpr auto look_at_clock = 20s;      // a machine that slept, a clock that was set: no timer tells
constexpr auto called_late = 10min;
constexpr auto longest_wait_for_round = 6h;

std::string spoken_late(std::chrono::seconds late) {
  const auto minutes = std::chrono::duration_cast<std::chrono::minutes>(late).count();
  return "the round ran " + (minutes >= 120 ? std::to_string(minutes / 60) + " hours" : std::to_string(minutes) + " minutes") +
         " late: the service was not running, or the machine slept";
}

}  // namespace

struct SiteNights::Ended {
  Outcome<void> kept;
  std::optional<std::int64_t> accepted;
  verdict::DriftOfRound drift;
  bool whole = false, night = false;
};

SiteNights::SiteNights(SiteNightsParts parts, const std::optional<config::TellingSettings>& telling, const config::Secrets& secrets)
    : parts_(parts), tasks_(parts.context.get_executor()), timer_(parts.context) {
  if (!telling) return;
  curl_global_init(CURL_GLOBAL_DEFAULT);
  queues_ = std::make_unique<telling::Queues>(parts.context, parts.record, parts.writing, telling::ways_of(*telling, secrets), telling->first_retry_s,
                                              telling->give_up_after_h, [this](const json& told) { parts_.feed.publish("told", told); });
}

void SiteNights::start() {
  if (queues_) queues_->start();
  tasks_.spawn("the nights", run_nights());
}

void SiteNights::stop() {
  stop_ = true;
  timer_.cancel();
  if (queues_) queues_->stop();
}

json SiteNights::next_night() const {
  if (!parts_.design.nightly_at) return nullptr;
  return to_rfc3339(tallywire::next_night(*parts_.design.nightly_at, now_utc()).at);
}

asio::awaitable<void> SiteNights::pause(std::chrono::milliseconds longest) {
  if (stop_) co_return;
  timer_.expires_after(longest);
  boost::system::error_code cancelled;
  auto token = asio::redirect_error(asio::use_awaitable, cancelled);
  co_await timer_.async_wait(token);
}

// ---- the schedule -------------------------------------------------------------------------------------

asio::awaitable<json> SiteNights::kept_night() {
  std::function<Outcome<json>()> read = [&record = parts_.record] { return record.kept(night_kept); };
  auto night = co_await offload<Outcome<json>>(parts_.writing, std::move(read));
  if (!night) spdlog::error("what is known of earlier nights cannot be read: {}", night.error().sentence());
  json out = night && night->is_object() ? *night : json::object();
  co_return out;
}

asio::awaitable<bool> SiteNights::keep_night(json night) {
  std::function<Outcome<void>()> write = [&record = parts_.record, night = std::move(night)] {
    return record.keep({{night_kept, night}}, {});
  };
  auto kept = co_await offload<Outcome<void>>(parts_.writing, std::move(write));
  if (!kept) spdlog::error("the night cannot be kept: {}", kept.error().sentence());
  co_return kept.has_value();
}

asio::awaitable<void> SiteNights::run_nights() {
  co_await settle();
  if (!parts_.design.nightly_at) co_return;
  const std::string time_of_day = *parts_.design.nightly_at;
  json night = co_await kept_night();
  if (!night.contains("date")) {  // the first start: nights before it were nobody's
    night["date"] = latest_night(time_of_day, now_utc()).date;
    night["told"] = true;
    co_await keep_night(night);
  }
  while (!stop_) {
    const auto now = now_utc();
    const auto due = latest_night(time_of_day, now);
    night = co_await kept_night();
    std::string done = night.value("date", due.date);
    if (nights_between(due.date, done) > 1) {  // the clock ran ahead and was set back: else none would run until it is there again
      spdlog::warn("the night of {} is kept as done, and it is the night of {}: the clock was set back", done, due.date);
      done = due.date;
      night["date"] = done;
      night["told"] = true;
      co_await keep_night(night);
    }
    if (due.date > done) {
      const auto late = std::chrono::duration_cast<std::chrono::seconds>(now - due.at);
      std::string note = late > called_late ? spoken_late(late) : std::string();
      if (const int missed = nights_between(done, due.date) - 1; missed > 0)
        note += (note.empty() ? "" : "; ") + std::to_string(missed) + (missed == 1 ? " night" : " nights") + " before it did not run at all";
      night["before"] = done;
      night["date"] = due.date;
      night["told"] = false;
      night["round"] = 0;
      night["note"] = note;
      if (co_await keep_night(night)) co_await run_night(due.date, note);
    }
    const auto left = std::chrono::duration_cast<std::chrono::milliseconds>(tallywire::next_night(time_of_day, now_utc()).at - now_utc());
    co_await pause(std::clamp<std::chrono::milliseconds>(left, 10ms, look_at_clock));
  }
}

// None of the interfaces: why; empty when one listens.
std::string SiteNights::nobody_listens() const {
  const auto roll = parts_.service.roll();
  std::string why;
  for (const auto& w : roll.at("watching")) {
    if (w.at("state") == "listening") return {};
    why += (why.empty() ? "" : ", ") + w.at("interface").get<std::string>() + " is " + w.at("state").get<std::string>();
  }
  return why;
}

asio::awaitable<void> SiteNights::run_night(std::string date, std::string note) {
  const auto until = std::chrono::steady_clock::now() + longest_wait_for_round;
  while (parts_.service.takes_no_more("night", {}) && !stop_ && std::chrono::steady_clock::now() < until) co_await pause(1s);
  if (stop_) co_return;  // it is kept as not told: the next start says so
  if (const auto why = nobody_listens(); !why.empty()) {
    co_await not_run(date, "no interface listens: " + why);
    co_return;
  }
  running_date_ = date;
  running_note_ = note;
  std::string kind = "night";
  std::vector<std::string> everything;
  auto started = co_await parts_.service.start_round(std::move(kind), std::move(everything));
  if (!started) {
    running_date_.clear();
    co_await not_run(date, started.error().sentence());
    co_return;
  }
  spdlog::info("the night of {}: round {}{}", date, *started, note.empty() ? "" : ", " + note);
  // In one go: the round may end between a look and a write.
  std::function<Outcome<void>()> write = [&record = parts_.record, id = *started]() -> Outcome<void> {
    auto night = record.kept(night_kept);
    if (!night) return night.error();
    if (!night->is_object() || night->value("told", true)) return {};  // it has ended already
    (*night)["round"] = id;
    return record.keep({{night_kept, *night}}, {});
  };
  auto kept = co_await offload<Outcome<void>>(parts_.writing, std::move(write));
  if (!kept) spdlog::error("the night cannot be kept: {}", kept.error().sentence());
}

asio::awaitable<void> SiteNights::not_run(std::string date, std::string note) {
  spdlog::warn("the night of {} did not run: {}", date, note);
  telling::NightFacts facts;
  facts.site = parts_.design.site.name;
  facts.night = date;
  facts.state = "not_run";
  facts.note = note;
  facts.at = now_utc();
  std::function<Outcome<void>()> tell = [this, facts]() -> Outcome<void> {
    auto now = drift_now(parts_.record, parts_.design, std::nullopt);
    auto told = facts;
    if (now) told.accepted = now->accepted;
    if (now) told.open = now->of_round.rows.size();
    return tell_night(parts_.record, told, queues_ ? queues_->names() : std::vector<std::string>(), {});
  };
  auto told = co_await offload<Outcome<void>>(parts_.writing, std::move(tell));
  if (!told) spdlog::error("the night of {} cannot be told: {}", date, told.error().sentence());
  if (queues_) queues_->look();
}

// A night that this service, or one before it, began and never told.
asio::awaitable<void> SiteNights::settle() {
  json night = co_await kept_night();
  if (night.value("told", true) || !night.contains("date")) co_return;
  const std::string date = night.at("date");
  const auto round = night.value("round", std::int64_t{0});
  if (round == 0) {  // it never began: it is due again, and runs late
    night["date"] = night.value("before", date);
    night["told"] = true;
    co_await keep_night(night);
    co_return;
  }
  std::function<Outcome<std::optional<json>>()> read = [&record = parts_.record, round] { return record.round_document(round); };
  auto found = co_await offload<Outcome<std::optional<json>>>(parts_.writing, std::move(read));
  if (found && *found && (**found).at("state") == "complete") {
    running_date_ = date;
    running_note_ = night.value("note", std::string());
    json document = std::move(**found);
    auto ended = co_await end_round(round, document);
    if (!ended) spdlog::error("the night of {} cannot be told: {}", date, ended.error().sentence());
  } else {
    co_await not_run(date, "the service ended while round " + std::to_string(round) + " ran");
  }
}

// ---- the end of a round -------------------------------------------------------------------------------

asio::awaitable<Outcome<void>> SiteNights::end_round(std::int64_t id, json& document) {
  const bool is_night = document.at("kind") == "night";
  const auto again = unkept_.find(id);
  const auto date = again == unkept_.end() ? running_date_ : again->second.first;
  const auto note = again == unkept_.end() ? running_note_ : again->second.second;
  if (is_night && again == unkept_.end()) running_date_.clear();
  const auto ways = queues_ ? queues_->names() : std::vector<std::string>();
  std::function<Ended()> work = [this, id, &document, date, note, is_night, ways] {
    Ended out{{}, {}, {}, document.at("kind") != "prove", is_night};
    const bool complete = document.at("state") == "complete";
    const auto started = from_rfc3339(document.at("started"));
    std::vector<std::pair<std::string, json>> state;
    if (out.whole && complete) {
      auto now = drift_now(parts_.record, parts_.design, WholeRound{id, document.at("kind"), started});
      if (!now) spdlog::error("what drifted cannot be told: {}", now.error().sentence());
      if (now) {
        state = state_of(*now);
        out.accepted = now->accepted;
        out.drift = std::move(now->of_round);
      }
      document["drift"] = out.drift.rows;
      document["drift_since"] = out.accepted ? json(*out.accepted) : json();
    }
    out.kept = document.at("state") == "broken_off" ? parts_.record.break_off(id) : parts_.record.end_round(id, document.at("state"), document);
    if (!out.kept) return out;
    if (is_night) {
      telling::NightFacts facts;
      facts.site = parts_.design.site.name;
      facts.night = date.empty() ? night_of(started, parts_.design.nightly_at) : date;
      facts.round = id;
      facts.state = document.at("state");
      facts.note = note;
      facts.accepted = out.accepted;
      facts.begun = out.drift.begun;
      facts.again = out.drift.again;
      facts.ended = out.drift.ended;
      facts.open = out.drift.rows.size();
      facts.counts = document.value("counts", json());
      facts.at = now_utc();
      out.kept = tell_night(parts_.record, std::move(facts), ways, std::move(state));
    } else if (!state.empty()) {
      out.kept = parts_.record.keep(state, {});
    }
    return out;
  };
  auto ended = co_await offload<Ended>(parts_.writing, std::move(work));
  if (ended.kept) {
    unkept_.erase(id);
    publish(ended);
  } else if (is_night) {
    unkept_.insert_or_assign(id, std::pair(date, note));
  }
  co_return ended.kept;
}

void SiteNights::publish(const Ended& ended) {
  const auto tell = [this](const std::vector<verdict::DriftRow>& rows, const char* change) {
    for (const auto& row : rows) {
      json data = row;
      data["change"] = change;
      data["at"] = to_rfc3339(now_utc());
      spdlog::info("drift, {}: {}", change, row.text);
      parts_.feed.publish("drift", data);
    }
  };
  tell(ended.drift.begun, "begun");
  tell(ended.drift.again, "again");
  tell(ended.drift.ended, "ended");
  if (ended.night && queues_) queues_->look();
}

// ---- what the API asks --------------------------------------------------------------------------------

asio::awaitable<Outcome<json>> SiteNights::drift() {
  std::function<Outcome<json>()> work = [this] { return drift_answer(parts_.record, parts_.design); };
  auto answer = co_await offload<Outcome<json>>(parts_.writing, std::move(work));
  co_return answer;
}

asio::awaitable<Outcome<json>> SiteNights::changes(std::int64_t id, std::int64_t since) {
  std::function<Outcome<json>()> work = [this, id, since]() -> Outcome<json> {
    const auto told = [this](std::int64_t number) -> Outcome<verdict::RoundTold> {
      auto document = parts_.record.round_document(number);
      if (!document) return document.error();
      if (!*document) return Fault{FaultKind::bad_request, "round " + std::to_string(number) + " is not here", "", "the page lists them"};
      auto read = round_read(parts_.record, parts_.design, number, from_rfc3339((**document).at("started")));
      if (!read) return read.error();
      if (read->readings.empty() && !(**document).at("verdicts").empty())
        return Fault{FaultKind::bad_request, "the readings of round " + std::to_string(number) + " are kept no longer", "", "docs/record.md says how long"};
      return verdict::RoundTold{std::move(*read), (**document).at("verdicts"), (**document).at("findings")};
    };
    auto was = told(since), is = told(id);
    if (!was) return was.error();
    if (!is) return is.error();
    json answer = {{"round", id}, {"since", since}, {"changes", verdict::changes_between(*was, *is, parts_.design)}};
    Outcome<json> out(boost::system::in_place_value, std::move(answer));
    return out;
  };
  auto answer = co_await offload<Outcome<json>>(parts_.blocking, std::move(work));
  co_return answer;
}

asio::awaitable<Outcome<json>> SiteNights::telling() {
  json out = {{"ways", json::array()}, {"next_night", next_night()}, {"last_message", nullptr}};
  std::function<Outcome<json>()> read = [&record = parts_.record] { return record.kept("last_message"); };
  auto last = co_await offload<Outcome<json>>(parts_.writing, std::move(read));
  if (!last) co_return last.error();
  out["last_message"] = *last;
  if (queues_) {
    auto ways = co_await queues_->state();
    if (!ways) co_return ways.error();
    out["ways"] = *ways;
  }
  Outcome<json> answer(boost::system::in_place_value, std::move(out));
  co_return answer;
}

}  // namespace tallywire
