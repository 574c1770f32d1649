// Answers as text. What they hold is laid down in docs/api.md and docs/commands.md.
#pragma once

#include <nlohmann/json_fwd.hpp>

#include <string>

namespace tallywire::client {

std::string render_round(const nlohmann::json& round);
std::string render_roll(const nlohmann::json& roll);
// A list of findings, each with what to try.
std::string render_findings(const nlohmann::json& findings);
// The answers of `arrivals --units` and `arrivals --asked`.
std::string render_units(const nlohmann::json& answer);
std::string render_asked(const nlohmann::json& answer);
// The table of the uplinks, with what it takes to read it.
std::string render_headroom(const nlohmann::json& headroom);
// The table alone.
std::string render_uplinks(const nlohmann::json& rows);
// Days held: the table of a round's volumes and cards, empty where there are none; the answer of `volume` without a path.
std::string render_stores(const nlohmann::json& rows);
std::string render_days_held(const nlohmann::json& answer);
// The bench (docs/api.md): one look of its table, with what it takes to read it.
std::string render_bench(const nlohmann::json& bench);
std::string render_presence(const nlohmann::json& event);
// The answer of `stream` (docs/commands.md), every field of it present.
std::string render_stream(const nlohmann::json& answer);
// The answer of `tap`, and one look of its live table.
std::string render_tap(const nlohmann::json& answer);
std::string render_tap_table(const nlohmann::json& table);
// The answer of `volume`, with its findings and what went wrong.
std::string render_volume(const nlohmann::json& answer);
// One way of the answer of `path`: "to" or "from" the far end.
std::string render_path_way(const std::string& direction, const nlohmann::json& way);
// Any flat answer: a line for each field, unread with its reason.
std::string render_fields(const nlohmann::json& answer);
// The answers of `switch` and `link` (docs/commands.md), every field of them present.
std::string render_switch(const nlohmann::json& answer);
std::string render_link(const nlohmann::json& answer);
// `delay` of the answer of `path` (docs/commands.md), every field of it present, or why there is none.
std::string render_delay(const nlohmann::json& answer);
// The answer of `rehearse`.
std::string render_rehearsal(const nlohmann::json& answer);
// Cautions that belong to the command; empty when none does.
std::string cautions_of(const std::string& command);

}  // namespace tallywire::client
