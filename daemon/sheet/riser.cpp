// The riser diagram, the trade's own drawing, as the board draws it: switches as bars with their ports, cameras with their heads
// hanging from the ports, uplinks as pipes filled to their load against the ceiling line. In pieces that fit a page.
#include "daemon/sheet/html.hpp"
#include "daemon/sheet/view.hpp"
#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>

namespace tallywire::sheet {

using nlohmann::json;

namespace {

// Of the drawing, in CSS pixels: A4 less its margins is 186 mm, 703 pixels.
constexpr double width = 700;
constexpr double pitch = 86;          // of a port
constexpr std::size_t ports_a_row = 8;
constexpr std::size_t rows_a_piece = 4;
constexpr double bar = 28, drop = 46, name_line = 13;
constexpr double pipe_length = 204, pipe_pitch = 232, pipe_block = 68;
constexpr std::size_t pipes_a_row = 3, heads_a_row = 4;
constexpr std::size_t name_columns = 13, name_lines = 3, port_columns = 9, pipe_columns = 30, switch_columns = 80;

std::string text(double x, double y, const std::string& content, const char* kind, const char* anchor = "middle") {
  return "<text x=\"" + figure(x) + "\" y=\"" + figure(y) + "\" class=\"" + kind + "\" text-anchor=\"" + anchor + "\">" + escaped(content) + "</text>\n";
}

std::string rect(double x, double y, double w, double h, double rx, const char* kind) {
  return "<rect x=\"" + figure(x) + "\" y=\"" + figure(y) + "\" width=\"" + figure(std::max(0.0, w)) + "\" height=\"" + figure(h) + "\" rx=\"" + figure(rx) +
         "\" class=\"" + kind + "\"/>\n";
}

std::string line(double x1, double y1, double x2, double y2, const char* kind) {
  return "<line x1=\"" + figure(x1) + "\" y1=\"" + figure(y1) + "\" x2=\"" + figure(x2) + "\" y2=\"" + figure(y2) + "\" class=\"" + kind + "\"/>\n";
}

// Cut to what there is room for; the tables have names whole.
std::string shortened(const std::string& text, std::size_t columns) {
  std::size_t end = 0;
  for (std::size_t seen = 0; end < text.size(); ++end)
    if ((static_cast<unsigned char>(text[end]) & 0xc0) != 0x80 && ++seen > columns) return text.substr(0, end) + "…";
  return text;
}

// Long names stand on some lines, broken after a dash where there is one; the tables have them whole.
std::vector<std::string> lines_of(std::string name) {
  std::vector<std::string> out;
  while (!name.empty() && out.size() < name_lines) {
    std::size_t end = 0, columns = 0, after_dash = 0;
    while (end < name.size() && columns < name_columns) {
      do ++end;
      while (end < name.size() && (static_cast<unsigned char>(name[end]) & 0xc0) == 0x80);
      ++columns;
      if (name[end - 1] == '-' || name[end - 1] == '_') after_dash = end;
    }
    if (end < name.size() && after_dash > 0) end = after_dash;
    out.push_back(name.substr(0, end));
    name.erase(0, end);
  }
  if (!name.empty()) out.back() += "…";
  return out;
}

struct Row {
  std::vector<std::pair<std::string, std::vector<const json*>>> ports;  // with the cameras that hang on them
  double height = 0;
};

double height_of(const json& camera) {
  const auto heads = std::max<std::size_t>(1, list(camera, "heads").size());
  return bar + drop + 20 + static_cast<double>((heads + heads_a_row - 1) / heads_a_row) * 19 + static_cast<double>(lines_of(word(camera, "id")).size() +
      1) * name_line + 10;
}

std::vector<Row> rows_of(const View& view, const json& sw) {
  std::vector<Row> out;
  for (const auto& name : list(sw, "ports")) {
    if (!name.is_string()) continue;
    std::vector<const json*> here;
    for (const auto& camera : list(view.design, "cameras"))
      if (word(camera, "switch") == word(sw, "id") && word(camera, "port") == name.get_ref<const std::string&>()) here.push_back(&camera);
    if (here.empty()) continue;
    if (out.empty() || out.back().ports.size() == ports_a_row) out.emplace_back();
    for (const auto* camera : here) out.back().height = std::max(out.back().height, height_of(*camera));
    out.back().ports.emplace_back(name.get<std::string>(), std::move(here));
  }
  return out;
}

// One camera below its port: drop, shape of its presence, heads, name.
std::string unit(const View& view, const json& camera, double x, double y) {
  const auto id = word(camera, "id");
  const auto presence = view.presence(id);
  std::string out = "<g class=\"unit " + escaped(presence) + "\"><title>" + escaped(id + ": " + presence) + "</title>\n";
  out += line(x, y, x, y + drop - 16, "drop");
  out += "<circle cx=\"" + figure(x) + "\" cy=\"" + figure(y + drop - 2) + "\" r=\"14\" class=\"body\"/>" + shape(presence, x, y + drop - 2, 14) + "\n";
  const auto& heads = list(camera, "heads");
  double below = y + drop + 17;
  for (std::size_t i = 0; i < heads.size(); ++i) {
    const std::size_t in_row = std::min(heads_a_row, heads.size() - i / heads_a_row * heads_a_row);
    const double hx = x + (static_cast<double>(i % heads_a_row) - static_cast<double>(in_row - 1) / 2) * 19;
    const double hy = y + drop + 17 + static_cast<double>(i / heads_a_row) * 19;
    const auto worst = view.worst("camera/" + id + "/head/" + word(heads[i], "id"));
    const auto verdict = worst.empty() ? std::string("unread") : worst;
    out += "<g class=\"head " + verdict + "\"><title>" + escaped("head " + word(heads[i], "id") + ": " + verdict) + "</title>" +
           rect(hx - 8, hy, 16, 16, 3, "box") + shape(verdict, hx, hy + 8, 11) + "</g>\n";
    below = hy + 19;
  }
  below += name_line;
  for (const auto& part : lines_of(id)) {
    out += text(x, below, part, "name");
    below += name_line;
  }
  return out + text(x, below, presence, "presence") + "</g>\n";
}

std::string bar_of(const View& view, const Row& row, double y) {
  std::string out = rect(6, y, pitch * static_cast<double>(std::max<std::size_t>(2, row.ports.size())), bar, 4, "bar");
  for (std::size_t i = 0; i < row.ports.size(); ++i) {
    const double x = 6 + pitch / 2 + static_cast<double>(i) * pitch;
    out += rect(x - 34, y + 5, 68, 18, 3, "port");
    out += text(x, y + 18, shortened(row.ports[i].first, port_columns), "port-name");
    for (const auto* camera : row.ports[i].second) out += unit(view, *camera, x, y + bar);
  }
  return out;
}

const json& headroom_row(const View& view, const std::string& subject) {
  for (const auto& row : list(view.round, "headroom"))
    if (word(row, "uplink") == subject) return row;
  return none();
}

// A pipe as long as its speed, filled to what was measured, with the busiest instant and the ceiling.
std::string pipe(const View& view, const json& sw, const json& uplink, double x, double y) {
  const auto& row = headroom_row(view, "switch/" + word(sw, "id") + "/uplink/" + word(uplink, "id"));
  const double speed = number(uplink, "speed_mbps").value_or(0) * 1e6;
  const auto at = [&](double bps) { return x + (speed > 0 ? std::clamp(bps / speed, 0.0, 1.0) : 0) * pipe_length; };
  const auto measured = number(row, "measured_bps"), busiest = number(row, "busiest_bps"), ceiling = number(row, "ceiling_bps");
  const auto name = shortened(word(uplink, "id") + " → " + word(uplink, "to"), pipe_columns);
  std::string out = "<g class=\"uplink\">" + text(x, y + 11, name, "pipe-name strong", "start");
  out += rect(x, y + 18, pipe_length, 16, 8, "pipe");
  if (measured) out += rect(x + 1.5, y + 19.5, std::max(2.0, at(*measured) - x - 3), 13, 6.5, "load");
  if (busiest) out += line(at(*busiest), y + 15, at(*busiest), y + 37, "busiest");
  if (ceiling) out += line(at(*ceiling), y + 12, at(*ceiling), y + 40, "ceiling");
  out += text(x, y + 49, measured ? verdict::spoken_bit_rate(*measured) + " of " + verdict::spoken_bit_rate(speed) : "load unread, speed " +
      verdict::spoken_bit_rate(speed),
              "pipe-name", "start");
  if (busiest) out += text(x, y + 61, "busiest " + verdict::spoken_bit_rate(*busiest) + (*busiest > speed ? ": above the speed" : ""), "pipe-name", "start");
  return out + "</g>\n";
}

std::string piece(const std::string& label, double height, const std::string& inner) {
  return "<svg class=\"riser\" role=\"img\" aria-label=\"" + escaped(label) + "\" viewBox=\"0 0 " + figure(width) + " " + figure(height) + "\" width=\"" +
         figure(width) + "\" height=\"" + figure(height) + "\">\n" + inner + "</svg>\n";
}

std::string switch_drawing(const View& view, const json& sw) {
  const auto id = word(sw, "id"), place = word(sw, "place");
  const auto rows = rows_of(view, sw);
  const auto& uplinks = list(sw, "uplinks");
  std::string out, inner = text(6, 16, shortened(id + (place.empty() ? "" : " · " + place), switch_columns), "switch-name", "start");
  double y = 26;
  const double pipes_top = y;
  for (std::size_t i = 0; i < uplinks.size(); ++i)
    inner += pipe(view, sw, uplinks[i], 22 + static_cast<double>(i % pipes_a_row) * pipe_pitch, y + static_cast<double>(i / pipes_a_row) * pipe_block);
  if (!uplinks.empty()) {
    y += static_cast<double>((uplinks.size() + pipes_a_row - 1) / pipes_a_row) * pipe_block + 6;
    inner += line(12, pipes_top + 26, 22, pipes_top + 26, "drop") + line(12, pipes_top + 25, 12, y + 1, "drop");
  }
  if (rows.empty()) return piece("switch " + id, y + bar + 6, inner + bar_of(view, {}, y));
  for (std::size_t i = 0; i < rows.size(); ++i) {
    if (i > 0 && i % rows_a_piece == 0) {
      out += piece("switch " + id, y, inner);
      inner = text(6, 16, shortened(id, switch_columns) + ", its further ports", "switch-name", "start");
      y = 26;
    }
    inner += bar_of(view, rows[i], y);
    y += rows[i].height;
  }
  return out + piece("switch " + id, y, inner);
}

std::string key_of_shapes() {
  std::string out = "<p class=\"key\">Units: ";
  for (const char* state : {"proven", "arrived", "awaited", "wanting", "lost"}) out += mark(state) + " &ensp;";
  out += "<br>Heads: ";
  for (const char* state : {"met", "tight", "missed", "unread"}) out += mark(state) + " &ensp;";
  return out + "<br>Pipes: as long as the uplink’s speed; hatched what was measured, thin line the busiest instant, thick line the ceiling.</p>\n";
}

}  // namespace

std::string riser_part(View& view) {
  const std::string head = "<section class=\"part\"><h2>Riser</h2>\n";
  if (!view.design.is_object())
    return head + "<p>Not drawn: the design has changed since this round, and the record keeps no drawing of the older one.</p></section>\n";
  std::string out = head + key_of_shapes();
  for (const auto& sw : list(view.design, "switches")) out += switch_drawing(view, sw);
  return out + "</section>\n";
}

}  // namespace tallywire::sheet
