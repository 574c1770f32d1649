// Headroom, drawn against the ceiling and the speed; and the days that volumes and cards hold.
#include "daemon/sheet/html.hpp"
#include "daemon/sheet/view.hpp"
#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>

namespace tallywire::sheet {

using nlohmann::json;

namespace {

constexpr double width = 700, left = 96, right = 590, bar_height = 12, bar_pitch = 17, top = 16;

std::string svg_text(double x, double y, const std::string& content, const char* kind, const char* anchor) {
  return "<text x=\"" + figure(x) + "\" y=\"" + figure(y) + "\" class=\"" + kind + "\" text-anchor=\"" + anchor + "\">" + escaped(content) + "</text>\n";
}

// Bars of one uplink on one scale, up to its speed or, where something is above that, up to it.
std::string bars(const json& row) {
  struct Bar {
    const char* key;
    const char* label;
    const char* kind;
  };
  constexpr Bar shown[] = {{"designed_bps", "designed", "designed"}, {"measured_bps", "measured", "load"}, {"busiest_bps", "busiest instant", "instant"}};
  const double speed = number(row, "speed_bps").value_or(0), ceiling = number(row, "ceiling_bps").value_or(0);
  double most = std::max(speed, ceiling);
  for (const auto& bar : shown) most = std::max(most, number(row, bar.key).value_or(0));
  if (!(most > 0) || !std::isfinite(most)) return "";
  const auto at = [&](double bps) { return left + std::clamp(bps / most, 0.0, 1.0) * (right - left); };
  std::string inner;
  double y = top;
  for (const auto& bar : shown) {
    const auto bps = number(row, bar.key);
    inner += svg_text(left - 6, y + 10, bar.label, "pipe-name", "end");
    if (bps) inner += "<rect x=\"" + figure(left) + "\" y=\"" + figure(y) + "\" width=\"" + figure(std::max(1.0, at(*bps) - left)) + "\" height=\"" +
        figure(bar_height) + "\" class=\"bar-" + bar.kind + "\"/>\n";
    inner += svg_text(right + 8, y + 10, bps ? verdict::spoken_bit_rate(*bps) : "unread", "pipe-name strong", "start");
    y += bar_pitch;
  }
  const auto mark_line = [&](double bps, const char* kind, const std::string& label, const char* anchor, double dx) {
    inner += "<line x1=\"" + figure(at(bps)) + "\" y1=\"" + figure(top - 4) + "\" x2=\"" + figure(at(bps)) + "\" y2=\"" + figure(y) + "\" class=\"" +
        kind + "\"/>\n";
    inner += svg_text(at(bps) + dx, top - 6, label, "pipe-name", anchor);
  };
  mark_line(ceiling, "ceiling", "ceiling " + verdict::spoken_bit_rate(ceiling), "end", -2);
  mark_line(speed, "speed", "speed " + verdict::spoken_bit_rate(speed), "start", at(speed) > right - 80 ? -2 : 2);
  return "<svg class=\"bars\" role=\"img\" aria-label=\"" + escaped(verdict::spoken_subject(word(row, "uplink"))) + "\" viewBox=\"0 0 " + figure(width) +
      " " + figure(y + 3) +
         "\" width=\"" + figure(width) + "\" height=\"" + figure(y + 3) + "\">\n" + inner + "</svg>\n";
}

std::string more_units(const json& row) {
  const auto units = number(row, "more_units");
  if (!units) return word(row, "more_units_unread").empty() ? "" : "How many more units fit: unread: " + word(row, "more_units_unread") + ".";
  const auto like = verdict::spoken_subject(word(row, "more_units_like"));
  return "Room for " + figure(*units) + " more " + (*units == 1 ? "unit" : "units") + (like.empty() ? "" : " like " + like) + ".";
}

std::string buffer(const json& row) {
  const auto bytes = number(row, "buffer_needed_bytes");
  if (bytes) return "When all key frames start together, " + verdict::spoken_bytes(*bytes) + " wait before the uplink: to be held against the switch’s data "
      "sheet.";
  return word(row, "buffer_unread").empty() ? "" : "What the switch’s buffer must swallow: unread: " + word(row, "buffer_unread") + ".";
}

std::string uplink_block(View& view, const json& row) {
  const auto direction = word(row, "direction");
  std::string out = "<div class=\"keep\"><h3>" + escaped(verdict::spoken_subject(word(row, "uplink"))) + (direction.empty() ? ""
      : " <span class=\"aside\">" + escaped(direction) + "</span>") + "</h3>\n" + bars(row);
  std::string said = std::to_string(count(row, "streams_measured")) + " of " + std::to_string(count(row, "streams")) + " streams measured.";
  if (const auto together = number(row, "together_bps"); together && *together > number(row, "speed_bps").value_or(0))
    said += " Every stream at its peak at once would be " + verdict::spoken_bit_rate(*together) + ": above the speed.";
  for (const auto& more : {more_units(row), buffer(row)}) said += more.empty() ? "" : " " + more;
  out += "<p class=\"facts\">" + escaped(said);
  if (!word(row, "unread").empty()) out += " <b>" + mark("unread") + ": " + escaped(word(row, "unread")) + ".</b>";
  const auto note = view.notes.refer(word(row, "method"));
  if (!note.empty()) out += " How: " + note + ".";
  return out + "</p></div>\n";
}

std::string cell(const std::string& inner) { return element("td", "", inner); }

std::string falls_short(const json& row) {
  const auto when = word(row, "falls_short");
  if (when == "now") return mark("missed") + " short now";
  if (when == "on_a_day") {
    std::string out = escaped("on " + word(row, "falls_short_on").substr(0, 10));
    const auto earliest = word(row, "falls_short_earliest").substr(0, 10), latest = word(row, "falls_short_latest").substr(0, 10);
    if (!earliest.empty() || !latest.empty()) out += "<br><span class=\"aside\">" + escaped((earliest.empty() ? "?" : earliest) + " to " + (latest.empty()
        ? "not in sight" : latest)) + "</span>";
    return out;
  }
  if (when == "not_in_sight") return "not in sight";
  const auto why = word(member(row, "unread"), "falls_short");
  return "unread" + (why.empty() ? "" : "<br><span class=\"aside\">" + escaped(why) + "</span>");
}

std::string days_row(View& view, const json& row) {
  const auto days = number(row, "days_held_days"), asked = number(row, "days_to_hold_days"), rate = number(row, "rate_bytes_per_s"), capacity = number(row,
      "capacity_bytes");
  const auto unread = word(member(row, "unread"), "days_held_days");
  std::string held = mark("unread") + (unread.empty() ? "" : "<br><span class=\"aside\">" + escaped(unread) + "</span>");
  if (days) {
    held = figure(*days, 4) + " days";
    if (const auto u = number(row, "uncertainty_days").value_or(0); u > 0) held += " <span class=\"pm\">± " + figure(u, 2) + "</span>";
  }
  return "<tbody><tr>" + cell(escaped(verdict::spoken_subject(word(row, "subject")))) +
         cell((capacity ? escaped(verdict::spoken_bytes(*capacity)) : "unread") + (word(row, "capacity_from").empty() ? "" : " <span class=\"aside\">" +
             escaped(word(row, "capacity_from")) + "</span>")) +
         cell(rate ? escaped(verdict::spoken_byte_rate(*rate)) : "unread") + cell(asked && *asked > 0 ? figure(*asked, 4) + " days" : "nothing asked") +
             cell(held) +
         cell(falls_short(row)) + element("td", "n", view.notes.refer(word(row, "method"))) + "</tr></tbody>\n";
}

}  // namespace

std::string headroom_part(View& view) {
  std::string out;
  for (const auto& row : list(view.round, "headroom"))
    if (number(row, "streams").value_or(0) > 0) out += uplink_block(view, row);
  if (out.empty()) out = "<p>No uplink was reckoned in this round.</p>\n";
  return "<section class=\"part\"><h2>Headroom of the uplinks</h2>\n" + out + "</section>\n";
}

std::string days_held_part(View& view) {
  const auto& rows = list(view.round, "days_held");
  if (rows.empty()) return "";
  std::string out = "<section class=\"part\"><h2>Days held</h2>\n<table class=\"days\"><thead><tr><th scope=\"col\">store</th><th scope=\"col\">capacity</th>"
                    "<th scope=\"col\">written</th><th scope=\"col\">asked</th><th scope=\"col\">holds</th><th scope=\"col\">falls short</th><th "
                        "scope=\"col\">how</th></tr></thead>\n";
  for (const auto& row : rows) out += days_row(view, row);
  return out + "</table></section>\n";
}

}  // namespace tallywire::sheet
