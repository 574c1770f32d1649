// What the parts of a sheet share while one is drawn: its data, the worst of each subject, the numbered notes. The data may be anything
// that is JSON, since a sheet that is checked comes from elsewhere: every part takes what it understands.
#pragma once

#include <nlohmann/json_fwd.hpp>

#include <map>
#include <string>
#include <vector>

namespace tallywire::sheet {

// Methods are long and many rows share one: a row has a number, and the notes stand together at the end.
class Notes {
 public:
  // The number of a note as HTML, empty for an empty text.
  std::string refer(const std::string& text);
  const std::vector<std::string>& texts() const { return texts_; }

 private:
  std::map<std::string, std::size_t> numbers_;
  std::vector<std::string> texts_;
};

class View {
 public:
  explicit View(const nlohmann::json& sheet);
  const nlohmann::json& data;
  const nlohmann::json& round;
  const nlohmann::json& design;  // null when the design is another one by now
  Notes notes;

  // The worst verdict at or below a subject: missed, tight, unread, met; empty when nothing of it was judged.
  std::string worst(const std::string& subject) const;
  // "not told" where the round's roll does not tell: a round about some units, or one that was cut off.
  std::string presence(const std::string& camera) const;
  const nlohmann::json& camera(const std::string& id) const;  // of the design

 private:
  std::map<std::string, int> worst_;
  std::map<std::string, std::string> presence_;
};

// Each answers HTML, or nothing where there is nothing to tell.
std::string title_part(View& view);        // site, place, date, who, round, accepted by whom, the sentence
std::string riser_part(View& view);
std::string findings_part(View& view);     // open and closed
std::string headroom_part(View& view);
std::string days_held_part(View& view);
std::string units_part(View& view);        // each camera with each target
std::string other_targets_part(View& view);  // switches, uplinks, recorders, the path
std::string witness_part(View& view);
std::string strangers_part(View& view);
std::string notes_part(View& view);        // after all that refer to one
std::string cautions_part();
std::string signature_part();

}  // namespace tallywire::sheet
