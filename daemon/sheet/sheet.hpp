// The hand-over sheet: one HTML file that needs nothing else, with its own data in it. Pure functions.
//
// The data is a JSON object (docs/sheet.md). It stands in the file as canonical text: keys in order, no blanks, ASCII, with < > & written
// as \u003c \u003e \u0026, so that it can stand in a page. The sum on the sheet is the SHA-256 (FIPS 180-4) of that text's octets.
#pragma once

#include "probes/fault.hpp"

#include <nlohmann/json.hpp>

#include <cstdint>
#include <string>
#include <string_view>

namespace tallywire::sheet {

inline constexpr int data_format = 1;
inline constexpr int page_layout = 2;  // one more whenever the same data makes another page
inline constexpr std::size_t largest_sheet_bytes = 256 * 1024 * 1024;

// The parts of a round's document (docs/api.md) that stand on a sheet. Without `accepted`, which may come later.
nlohmann::json round_part(const nlohmann::json& document);
// SHA-256 of the canonical text of these parts: what the record's round is compared by.
std::string round_sum(const nlohmann::json& document);
// The design as far as it is drawn: no address of a switch, no name of a secret.
nlohmann::json design_part(const nlohmann::json& design);

std::string canonical(const nlohmann::json& value);
std::string sha256_of(std::string_view octets);  // lower-case hexadecimal

// The whole file. `data` may hold anything: what is not understood is not drawn.
std::string render(const nlohmann::json& data);

enum class Verdict {
  confirmed,   // the sum fits the data, and this version makes the same file of it, octet by octet
  changed,     // the sum does not fit, or the page is not what its data makes
  only_data,   // the sum fits the data; another version made the page, so that it cannot be made again here
};

struct Checked {
  Verdict verdict = Verdict::changed;
  std::string reason;          // one sentence
  std::string printed_sum;
  std::string reckoned_sum;
  std::string made_by_version;
  nlohmann::json data;
};

// A Fault of kind bad_request where the text is no sheet: no data in it, or data that is no JSON.
Outcome<Checked> check(std::string_view file);

}  // namespace tallywire::sheet
