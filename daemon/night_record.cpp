#include "daemon/night_record.hpp"

#include "daemon/nights.hpp"

#include <spdlog/spdlog.h>

namespace tallywire {

using nlohmann::json;
using WholeRound = record::Record::WholeRound;

namespace {

constexpr int most_caught_up = 60;

verdict::DriftMemory memory_kept(const json& text) {
  try {
    return text.is_null() ? verdict::DriftMemory() : verdict::drift_memory_of(text);
  } catch (const json::exception& e) {
    // Of a version that wrote it otherwise: it begins anew rather than being wrong.
    spdlog::warn("the memory of drift begins anew: {}", e.what());
    return {};
  }
}

}  // namespace

Outcome<verdict::RoundRead> round_read(record::Record& record, const config::Design& design, std::int64_t id, SystemTime started) {
  auto readings = record.readings_of(id);
  if (!readings) return readings.error();
  return verdict::RoundRead{id, started, hours_of(started, design.nightly_at), std::move(*readings)};
}

Outcome<DriftNow> drift_now(record::Record& record, const config::Design& design, const std::optional<WholeRound>& ending) {
  DriftNow out;
  auto accepted = record.accepted_round();
  if (!accepted) return accepted.error();
  out.accepted = *accepted;
  if (!out.accepted) return out;
  auto head = record.whole_round(*out.accepted);
  if (!head) return head.error();
  if (!*head) return out;
  auto base = round_read(record, design, *out.accepted, (**head).started);
  if (!base) return base.error();
  const verdict::Drift drift(*base, design);
  auto kept = record.kept(drift_memory_kept);
  if (!kept) return kept.error();
  out.memory = memory_kept(*kept);
  const auto seen = out.memory.accepted == *out.accepted ? std::max(out.memory.last_round, *out.accepted) : *out.accepted;
  if (seen > *out.accepted) out.round = seen;
  out.of_round.rows = out.memory.accepted == *out.accepted ? verdict::open_rows(out.memory) : std::vector<verdict::DriftRow>();
  auto rounds = record.whole_rounds_after(seen, most_caught_up);
  if (!rounds) return rounds.error();
  const bool is_there = ending && !rounds->empty() && rounds->back().id >= ending->id;  // its end was kept, what follows from it was not
  if (ending && ending->id > seen && !is_there) rounds->push_back(*ending);
  for (const auto& round : *rounds) {
    auto read = round_read(record, design, round.id, round.started);
    if (!read) return read.error();
    out.of_round = drift.next(*read, out.memory);
    out.round = round.id;
  }
  return out;
}

json rows_answer(const DriftNow& now) {
  return {{"round", now.round ? json(*now.round) : json()}, {"accepted", now.accepted ? json(*now.accepted) : json()}, {"drift", now.of_round.rows}};
}

std::vector<std::pair<std::string, json>> state_of(const DriftNow& now) {
  if (!now.accepted) return {};
  return {{drift_memory_kept, verdict::to_json(now.memory)}, {drift_rows_kept, rows_answer(now)}};
}

Outcome<json> drift_answer(record::Record& record, const config::Design& design) {
  auto accepted = record.accepted_round();
  if (!accepted) return accepted.error();
  auto rows = record.kept(drift_rows_kept);
  if (!rows) return rows.error();
  if (*accepted && rows->is_object() && rows->at("accepted") == **accepted) {
    auto later = record.whole_rounds_after(rows->at("round").is_null() ? **accepted : rows->at("round").get<std::int64_t>(), 1);
    if (later && later->empty()) return rows;
  }
  auto now = drift_now(record, design, std::nullopt);
  if (!now) return now.error();
  if (auto kept = record.keep(state_of(*now), {}); !kept) return kept.error();
  Outcome<json> out(boost::system::in_place_value, rows_answer(*now));
  return out;
}

Outcome<void> tell_night(record::Record& record, telling::NightFacts facts, const std::vector<std::string>& ways,
                         std::vector<std::pair<std::string, json>> state) {
  auto before = record.kept(night_kept);
  if (!before) return before.error();
  json night = before->is_object() ? *before : json::object();
  const auto last = night.value("last_told_date", std::string());
  if (last == facts.night) {  // a second round in one night: its drift is kept, nobody is told twice
    if (state.empty()) return {};
    return record.keep(state, {});
  }
  facts.sequence = night.value("sequence", std::int64_t{0}) + 1;
  // Less than one: the clock was set back, and nobody knows how many.
  if (const int nights = last.empty() ? 0 : nights_between(last, facts.night); nights > 0) facts.nights_since_last = nights;
  for (const auto& way : ways) {
    auto of_way = record.outbox_state(way);
    if (of_way && of_way->at("given_up") > night.value("given_up_" + way, 0)) facts.given_up.push_back(way);
    if (of_way) night["given_up_" + way] = of_way->at("given_up");
  }
  night["date"] = std::max(facts.night, night.value("date", std::string()));
  night["told"] = true;
  night["sequence"] = facts.sequence;
  night["last_told_date"] = facts.night;
  const auto message = telling::night_message(facts);
  std::vector<record::Record::OutboxMessage> messages;
  for (const auto& way : ways) messages.push_back({way, message.at("key"), message});
  state.emplace_back(night_kept, night);
  state.emplace_back("last_message", message);
  return record.keep(state, messages);
}

}  // namespace tallywire
