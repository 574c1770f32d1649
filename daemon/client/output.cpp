#include "daemon/client/output.hpp"

#include "daemon/client/render.hpp"
#include "daemon/client/table.hpp"
#include "probes/reading.hpp"

#include <unistd.h>

#include <cstdio>

namespace tallywire::client {

using nlohmann::json;

json error_json(const Fault& fault) {
  return {{"error",
           {{"kind", name_of(fault.kind)}, {"what", fault.what}, {"where", fault.where}, {"try_next", fault.try_next}}}};
}

void print_json(const json& answer) {
  std::puts(answer.dump(2, ' ', false, json::error_handler_t::replace).c_str());
}

int fail(const Command& command, const Fault& fault) {
  std::fprintf(stderr, "tallywire: %s\n", fault.sentence().c_str());
  if (command.json) print_json(error_json(fault));
  return fault.kind == FaultKind::bad_request ? exit_wrong : exit_unread;
}

void print_tap_table(const Command& command, const json& table) {
  if (command.json)
    std::puts(json_line({{"event", "tap"}, {"data", table}}).c_str());
  else
    std::fputs(((isatty(STDOUT_FILENO) == 1 ? "\033[H\033[J" : "") + render_tap_table(table)).c_str(), stdout);
  std::fflush(stdout);
}

void print_answer(const Command& command, const json& answer) {
  if (command.json) return print_json(answer);
  if (const auto at = answer.find("error"); at != answer.end() && (command.name != "volume" || answer.size() == 1)) {
    const Fault fault{FaultKind::system, at->value("what", ""), at->value("where", ""), at->value("try_next", "")};
    std::fprintf(stderr, "tallywire: %s\n", fault.sentence().c_str());
    return;
  }
  std::string text;
  if (command.name == "round" || command.name == "prove")
    text = render_round(answer);
  else if (command.name == "headroom")
    text = render_headroom(answer);
  else if (command.name == "arrivals")
    text = command.asked ? render_asked(answer) : command.units ? render_units(answer) : render_roll(answer);
  else if (command.name == "stream")
    text = render_stream(answer);
  else if (command.name == "tap")
    text = render_tap(answer);
  else if (command.name == "switch")
    text = render_switch(answer);
  else if (command.name == "link")
    text = render_link(answer);
  else if (command.name == "rehearse")
    text = render_rehearsal(answer);
  else if (command.name == "volume")
    text = answer.contains("stores") ? render_days_held(answer) : render_volume(answer) + render_stores(answer.value("days_held", json()));
  else if (command.name == "path") {
    text = render_delay(answer);
    for (const char* direction : {"to", "from"})
      if (const auto way = answer.find(direction); way != answer.end() && way->is_object())
        text += render_path_way(direction, *way);
      else if (way != answer.end())
        text += (direction == std::string("to") ? "To" : "From") + std::string(" the far end: unread: ") + text_of(answer.at("unread"), direction) + "\n";
  }
  else
    text = render_fields(answer);
  std::fputs((text + cautions_of(command.name)).c_str(), stdout);
}

}  // namespace tallywire::client
