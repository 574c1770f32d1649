// Text of others made fit for a page, and small pieces of HTML. Pure functions.
#pragma once

#include <nlohmann/json_fwd.hpp>

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace tallywire::sheet {

// For element content and quoted attribute values. Octets that are no UTF-8 (RFC 3629) become U+FFFD; characters that nobody sees or that
// turn the reading order (controls, bidirectional marks, U+2028, U+2029, U+FEFF) are written out, such as ⟨U+202E⟩, so that what is read is what is there.
std::string escaped(std::string_view text);
// Whether it holds such a character, a line feed or a tab: no name of a person does.
bool has_hidden(std::string_view text);
// Blanks: tab, line ends and what Unicode has as space separators (category Zs).
std::string_view without_blanks_around(std::string_view text);

// "<td class="kind">…</td>"; `inner` is HTML. No class when `kind` is empty.
std::string element(const char* name, const std::string& kind, const std::string& inner);

// A member of what may be anything: a null where it is not there or `object` is no object.
const nlohmann::json& member(const nlohmann::json& object, const char* key);
const nlohmann::json& none();  // null
// Empty, none or an empty list where the member is of another type.
std::string word(const nlohmann::json& object, const char* key);
std::optional<double> number(const nlohmann::json& object, const char* key);
std::int64_t count(const nlohmann::json& object, const char* key);  // 0 where it is no number of things
const nlohmann::json& list(const nlohmann::json& object, const char* key);

// "2026-11-25 12:00 UTC" of an RFC 3339 time, escaped; any other text as it is, escaped.
std::string spoken_time(const std::string& rfc3339);

// "%.*g" of a number, for coordinates and figures.
std::string figure(double value, int digits = 6);

// The shape and the word of a verdict or a presence; an unknown word gets the empty ring of what is unread. `said` stands in for the word.
std::string mark(const std::string& state, const std::string& said = {});
// The shape alone, `size` wide, with its middle at a place of a drawing.
std::string shape(const std::string& state, double x, double y, double size);
// <symbol> elements that both refer to, and the hatchings of the drawings; stands once, before they are used.
std::string shape_symbols();

}  // namespace tallywire::sheet
