#include "daemon/telling/night_message.hpp"

#include <cctype>
#include <cstdio>

namespace tallywire::telling {
namespace {

using nlohmann::json;

constexpr std::size_t most_of_site = 60;
constexpr std::size_t most_lines = 200;  // of text for people; all rows are in the JSON

std::string counted(std::size_t n, const char* what) { return std::to_string(n) + " " + what; }

std::string subject_of(const NightFacts& f) {
  const auto head = f.site + ", night of " + f.night + ": ";
  if (f.state == "not_run") return head + "the round did not run";
  if (f.state != "complete") return head + "the round was not finished";
  const auto fresh = f.begun.size() + f.again.size();
  if (!f.accepted) return head + "read; no round is accepted to compare with";
  if (fresh == 0 && f.ended.empty()) return head + (f.open == 0 ? "nothing changed" : "nothing new, " + counted(f.open, "still differ"));
  std::string out = head;
  if (fresh > 0) out += counted(fresh, "new");
  if (!f.ended.empty()) out += (fresh > 0 ? ", " : "") + counted(f.ended.size(), "as accepted again");
  return out + ", " + counted(f.open, "differ");
}

void add_rows(std::string& text, const char* title, const json& rows, std::size_t& lines) {
  if (rows.empty()) return;
  text += std::string("\n") + title + "\n";
  for (const auto& row : rows) {
    if (++lines > most_lines) {
      text += "  … and more: all of it by `tallywire drift`\n";
      return;
    }
    text += "  " + row.at("text").get<std::string>() + "\n";
  }
}

std::string text_of(const NightFacts& f) {
  std::string text = subject_of(f) + ".\n";
  if (!f.note.empty()) text += f.note + ".\n";
  std::size_t lines = 0;
  add_rows(text, "New:", f.begun, lines);
  add_rows(text, "Again:", f.again, lines);
  add_rows(text, "As accepted again:", f.ended, lines);
  if (f.accepted) text += "\n" + counted(f.open, f.open == 1 ? "row differs from the accepted round " : "rows differ from the accepted round ") + std::to_string(*f.accepted) + ".\n";
  if (f.counts.is_object())
    text += "Targets: " + std::to_string(f.counts.value("met", 0)) + " met, " + std::to_string(f.counts.value("tight", 0)) + " tight, " +
            std::to_string(f.counts.value("missed", 0)) + " missed, " + std::to_string(f.counts.value("unread", 0)) + " unread.\n";
  for (const auto& way : f.given_up) text += "An earlier night could not be told by " + way + ".\n";
  text += "Message " + std::to_string(f.sequence);
  if (f.nights_since_last) text += ", " + counted(static_cast<std::size_t>(*f.nights_since_last), *f.nights_since_last == 1 ? "night after the one before" : "nights after the one before");
  return text + ". One comes every night, also when nothing changed: when none comes, look at the service.\n";
}

}  // namespace

std::string night_key(const std::string& site, const std::string& night) {
  std::string name;
  bool whole = site.size() <= most_of_site;
  for (const unsigned char c : site.substr(0, most_of_site)) {
    name += c < 0x80 && std::isalnum(c) ? static_cast<char>(c) : '-';
    whole = whole && (c < 0x80 || name.back() != '-');
  }
  // FNV-1a: names that look alike now are still told apart by whoever takes each key once.
  std::uint32_t sum = 2'166'136'261U;
  for (const unsigned char c : site) sum = (sum ^ c) * 16'777'619U;
  char mark[16];
  std::snprintf(mark, sizeof mark, "-%08x", static_cast<unsigned>(sum));
  return "night-" + night + "-" + name + (whole ? "" : mark);
}

json night_message(const NightFacts& f) {
  return {{"message", "night"},
          {"key", night_key(f.site, f.night)},
          {"sequence", f.sequence},
          {"nights_since_last", f.nights_since_last ? json(*f.nights_since_last) : json()},
          {"site", f.site},
          {"night", f.night},
          {"at", to_rfc3339(f.at)},
          {"round", f.round ? json(*f.round) : json()},
          {"state", f.state},
          {"note", f.note},
          {"accepted", f.accepted ? json(*f.accepted) : json()},
          {"begun", f.begun},
          {"again", f.again},
          {"ended", f.ended},
          {"open", f.open},
          {"counts", f.counts},
          {"given_up", f.given_up},
          {"subject", subject_of(f)},
          {"text", text_of(f)}};
}

}  // namespace tallywire::telling
