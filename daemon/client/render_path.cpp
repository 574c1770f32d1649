// The answer of `path` as text.
#include "daemon/client/render.hpp"
#include "daemon/client/table.hpp"
#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <cstdio>

namespace tallywire::client {
namespace {

using nlohmann::json;
using verdict::spoken_bit_rate, verdict::spoken_bytes;

template <class... Values>
std::string text(const char* format, Values... values) {
  char out[200];
  std::snprintf(out, sizeof out, format, values...);
  return out;
}

bool has(const json& object, const char* key) {
  const auto at = object.find(key);
  return at != object.end() && at->is_number();
}

double number(const json& object, const char* key) { return object.at(key).get<double>(); }

std::string reason_in(const json& object, const char* key) {
  const auto unread = object.value("unread", json::object());
  const auto why = text_of(unread, key);
  return "unread" + (why.empty() ? "" : ": " + why);
}

void add_mtu(Table& table, const json& way) {
  if (!has(way, "path_mtu_bytes")) return table.row({"largest packet", reason_in(way, "path_mtu_bytes")});
  std::string note;
  if (way.value("path_mtu_black_hole", false)) note = "larger ones are lost on the way, and no router says so";
  if (text_of(way, "path_mtu_by") == "tcp") note = "by TCP alone";
  table.row({"largest packet", text("%.0f octets", number(way, "path_mtu_bytes")), note});
}

void add_udp(Table& table, const json& way) {
  const auto at = way.find("udp");
  if (at == way.end()) return;
  if (!at->is_object()) return table.row({"UDP capacity", reason_in(way, "udp")});
  if (!has(*at, "capacity_bps")) return table.row({"UDP capacity", reason_in(*at, "capacity_bps")});
  const auto& udp = *at;
  std::string above;
  if (udp.value("at_least", false))
    above = text_of(udp, "limited_by_reason");
  else if (has(udp, "rate_above_bps") && number(udp, "loss_ratio_above") > 0)
    above = text("%.3g %% lost at ", 100 * number(udp, "loss_ratio_above")) + spoken_bit_rate(number(udp, "rate_above_bps"));
  else if (has(udp, "rate_above_bps"))
    above = "a queue grew at " + spoken_bit_rate(number(udp, "rate_above_bps"));
  table.row({"UDP capacity", (udp.value("at_least", false) ? "at least " : "") + spoken_bit_rate(number(udp, "capacity_bps")) + " on the wire",
             spoken_bit_rate(number(udp, "capacity_payload_bps")) + " of payload; " + above});
}

void add_tcp(Table& table, const json& way) {
  if (!way.contains("goodput_bps")) return;
  std::string of_ideal;
  if (has(way, "achieved_ratio"))
    of_ideal = text("%.3g %% of the ideal ", 100 * number(way, "achieved_ratio")) + spoken_bit_rate(number(way, "ideal_goodput_bps"));
  if (has(way, "goodput_bps"))
    table.row({"TCP throughput", spoken_bit_rate(number(way, "goodput_bps")) + " of payload", of_ideal});
  else
    table.row({"TCP throughput", reason_in(way, "goodput_bps")});
  if (has(way, "base_round_trip_ms") && has(way, "round_trip_ms"))
    table.row({"round trip", text("%.3g ms unloaded", number(way, "base_round_trip_ms")), text("%.3g ms under load", number(way, "round_trip_ms"))});
  if (has(way, "tcp_efficiency_ratio"))
    table.row({"sent once", text("%.4g %%", 100 * number(way, "tcp_efficiency_ratio")),
               text("%.0f packets sent again", has(way, "retransmitted_packets") ? number(way, "retransmitted_packets") : 0.0)});
  if (has(way, "window_needed_bytes") && has(way, "window_offered_bytes"))
    table.row({"window", spoken_bytes(number(way, "window_needed_bytes")) + " needed", spoken_bytes(number(way, "window_offered_bytes")) + " offered"});
}

}  // namespace

std::string render_path_way(const std::string& direction, const json& way) {
  Table table;
  add_mtu(table, way);
  add_udp(table, way);
  add_tcp(table, way);
  std::string out = (direction == "to" ? "To" : "From") + std::string(" the far end\n") + table.text();
  const auto by = text_of(way, "limited_by");
  if (!by.empty()) out += "The " + by + " limits: " + text_of(way, "limited_by_reason") + ".\n  Try: " + text_of(way, "try_next") + ".\n";
  return out + "\n";
}

}  // namespace tallywire::client
