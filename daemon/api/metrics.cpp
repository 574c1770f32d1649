#include "daemon/api/metrics.hpp"

#include <cmath>
#include <cstdio>

namespace tallywire::api {

using nlohmann::json;

namespace {

// A label's value: backslash, quote and line feed are escaped, by the format.
std::string escaped(const std::string& value) {
  std::string out;
  for (const char c : value) {
    if (c == '\\' || c == '"') out += '\\';
    if (c == '\n') out += "\\n"; else out += c;
  }
  return out;
}

std::string number_text(double value) {
  if (std::isfinite(value) && value == std::floor(value) && std::abs(value) < 1e15) return std::to_string(static_cast<std::int64_t>(value));
  char text[40];
  std::snprintf(text, sizeof text, "%.10g", value);
  return text;
}

class Exposition {
 public:
  void family(const std::string& name, const char* type, const char* help) {
    name_ = "tallywire_" + name;
    text += "# HELP " + name_ + " " + help + "\n# TYPE " + name_ + " " + type + "\n";
  }
  void sample(double value) { text += name_ + " " + number_text(value) + "\n"; }
  void sample(const char* label, const std::string& of, double value) {
    text += name_ + "{" + label + "=\"" + escaped(of) + "\"} " + number_text(value) + "\n";
  }
  std::string text;

 private:
  std::string name_;
};

double seconds_of(SystemTime when) { return std::chrono::duration<double>(when.time_since_epoch()).count(); }

void tell_rounds(Exposition& out, const Metrics& m) {
  out.family("rounds_total", "counter", "Rounds that were begun since the record was made.");
  out.sample(static_cast<double>(m.size.rounds));
  if (m.last_round && m.last_round->ended) {
    const auto& head = *m.last_round;
    out.family("last_round_end_timestamp_seconds", "gauge", "When the newest complete round of the whole site ended.");
    out.sample(seconds_of(*head.ended));
    out.family("last_round_duration_seconds", "gauge", "How long it took.");
    out.sample(seconds_of(*head.ended) - seconds_of(head.started));
    if (head.counts.is_object()) {
      out.family("verdicts", "gauge", "Verdicts of the newest complete round of the whole site, by kind.");
      for (const char* kind : {"met", "tight", "missed", "unread"}) out.sample("verdict", kind, head.counts.value(kind, 0.0));
    }
  }
  if (m.last_night && m.last_night->ended) {
    out.family("last_night_end_timestamp_seconds", "gauge", "When the newest complete nightly round ended: it goes on as long as nights are kept.");
    out.sample(seconds_of(*m.last_night->ended));
  }
}

void tell_uplinks(Exposition& out, const Metrics& m) {
  struct Column {
    const char* key;
    const char* name;
    const char* help;
  };
  for (const auto& column : {Column{"speed_bps", "uplink_speed_bits_per_second", "What the design gives the uplink."},
                             Column{"ceiling_bps", "uplink_ceiling_bits_per_second", "The sustained load that it may have."},
                             Column{"measured_bps", "uplink_measured_bits_per_second", "The sum of the means of its streams in the newest round."},
                             Column{"busiest_bps", "uplink_busiest_bits_per_second", "Its busiest instant, see docs/api.md."}}) {
    bool told = false;
    for (const auto& row : m.uplinks) {
      const auto at = row.find(column.key);
      if (at == row.end() || !at->is_number()) continue;  // unread is not zero: there is no sample
      if (!std::exchange(told, true)) out.family(column.name, "gauge", column.help);
      out.sample("uplink", row.value("uplink", ""), at->get<double>());
    }
  }
}

}  // namespace

std::string metrics_text(const Metrics& m) {
  Exposition out;
  out.family("cameras", "gauge", "Cameras of the design by presence.");
  for (const auto& [presence, count] : m.cameras) out.sample("presence", presence, count);
  out.family("strangers", "gauge", "Units on the wire that the design does not know.");
  out.sample(static_cast<double>(m.strangers));
  tell_rounds(out, m);
  tell_uplinks(out, m);
  out.family("record_bytes", "gauge", "The record's file and its log.");
  out.sample(static_cast<double>(m.size.file_bytes + m.size.log_bytes));
  out.family("record_fault", "gauge", "1 while something cannot be kept.");
  out.sample(m.record_fault ? 1 : 0);
  out.family("events_total", "counter", "Events that were kept since the record was made.");
  out.sample(static_cast<double>(m.last_event));
  out.family("feed_listeners", "gauge", "Who follows the event feed now.");
  out.sample(static_cast<double>(m.feed_listeners));
  return out.text;
}

}  // namespace tallywire::api
