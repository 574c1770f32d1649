#include "daemon/verdict/stream_settings.hpp"

#include "daemon/verdict/last_readings.hpp"
#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <map>
#include <set>

namespace tallywire::verdict {
namespace {

// In the order in which a technician goes through an encoder's page.
struct Setting {
  const char* quantity;
  const char* told;
  const char* id;
  const char* name;       // as on such a page
  const char* next_step;
};

struct Difference {
  const Setting* setting;
  const Verdict* verdict;
};

bool is_below(const Difference& d, const char* quantity) {
  return d.verdict->target.quantity == quantity && d.verdict->reading.number() < d.verdict->target.promised;
}

const Setting settings[] = {
    {"codec", "told_codec", "stream_other_codec", "codec", "set the codec of this stream in the unit"},
    {"width_px", "told_width_px", "stream_other_size", "picture size", "set the picture size of this stream in the unit"},
    {"height_px", "told_height_px", "stream_other_size", "picture size", "set the picture size of this stream in the unit"},
    {"frame_rate_hz", "told_frame_rate_hz", "stream_frame_rate", "frame rate",
     "set the frame rate of this stream in the unit; then look for a slow-shutter or low-light mode"},
    {"gop_frames", "told_gop_frames", "stream_gop", "key-frame interval", "set the key-frame interval (GOP length) of this stream in the unit"},
    {"payload_bps", "told_bit_rate_bps", "stream_bit_rate", "bit rate",
     "set the bit-rate limit of this stream in the unit; without a limit, its quality"},
};

std::string spoken(const Reading& r) {
  if (const auto word = r.word()) return *word;
  return r.number() ? spoken_value(r.quantity, *r.number()) : "unread";
}

// What the unit itself says of one setting.
enum class Says { nothing, as_designed, as_sent, a_third };

class Telling {
 public:
  Telling(const std::vector<Reading>& readings, const config::Limits& limits) : last_(readings), limits_(limits) {}

  Says says(const Difference& d) const {
    const auto* told = last_.read(d.verdict->target.subject, d.setting->told);
    if (!told) return Says::nothing;
    Reading as_if = *told;
    as_if.quantity = d.setting->quantity;
    if (judge(d.verdict->target, as_if).kind != Kind::missed) return Says::as_designed;
    return is_sent(*told, d.verdict->reading) ? Says::as_sent : Says::a_third;
  }

  // "1920 pixels (design: 1280 pixels wide)" and what the unit says of it.
  std::string words(const Difference& d) const {
    const auto& v = *d.verdict;
    std::string out = spoken_quantity(v.target.quantity) + " " + spoken(v.reading) + ", the design: " + v.target.text;
    const auto* told = last_.read(v.target.subject, d.setting->told);
    switch (says(d)) {
      case Says::nothing: return out + "; the unit does not say how it is set";
      case Says::as_sent: return out + "; the unit says itself that it is set so";
      case Says::as_designed:
      case Says::a_third: return out + "; the unit says that it is set to " + spoken(*told);
    }
    return out;
  }

 private:
  // A told bit rate is a limit: whatever is below it is as told.
  bool is_sent(const Reading& told, const Reading& sent) const {
    if (told.word() || sent.word()) return told.value == sent.value;
    const double a = told.number().value_or(0), b = sent.number().value_or(0), room = told.uncertainty + sent.uncertainty;
    if (sent.quantity == "payload_bps") return b <= a * (1 + limits_.bit_rate_over_ratio) + room;
    if (sent.quantity == "frame_rate_hz") return std::abs(a - b) <= a * limits_.frame_rate_tolerance_ratio + room;
    return std::abs(a - b) <= room + 0.5;
  }

  LastReadings last_;
  const config::Limits& limits_;
};

// What follows from something else is no setting: too few octets from too few frames, and too few of either from lost packets,
// unless the unit says itself that it is set so.
void leave_out_followers(std::vector<Difference>& all, bool loses, const Telling& telling) {
  if (std::any_of(all.begin(), all.end(), [](const auto& d) { return is_below(d, "frame_rate_hz"); }))
    std::erase_if(all, [](const auto& d) { return is_below(d, "payload_bps"); });
  if (!loses) return;
  std::erase_if(all, [&](const auto& d) {
    const bool short_of = is_below(d, "frame_rate_hz") || is_below(d, "payload_bps") || d.verdict->target.quantity == "gop_frames";
    return short_of && telling.says(d) != Says::as_sent && telling.says(d) != Says::a_third;
  });
}

std::map<std::string, std::vector<Difference>> differences_of(const std::vector<Verdict>& verdicts, const Telling& telling) {
  std::map<std::string, std::vector<Difference>> out;
  std::set<std::string> losing;
  for (const auto& v : verdicts)
    if (v.kind == Kind::missed && v.target.quantity == "loss_ratio") losing.insert(v.target.subject);
  for (const auto& setting : settings)
    for (const auto& v : verdicts)
      if (v.kind == Kind::missed && v.target.quantity == setting.quantity) out[v.target.subject].push_back({&setting, &v});
  for (auto& [subject, all] : out) leave_out_followers(all, losing.contains(subject), telling);
  std::erase_if(out, [](const auto& one) { return one.second.empty(); });
  return out;
}

// "codec and picture size": each setting once.
std::string names_of(const std::vector<Difference>& all) {
  std::vector<std::string> names;
  for (const auto& d : all)
    if (names.empty() || names.back() != d.setting->name) names.emplace_back(d.setting->name);
  std::string out;
  for (std::size_t i = 0; i < names.size(); ++i) out += (i == 0 ? "" : i + 1 == names.size() ? " and " : ", ") + names[i];
  return out;
}

std::string value_words(const std::string& quantity, double value) {
  char text[48];
  if (quantity == "gop_frames")
    std::snprintf(text, sizeof text, "a key frame every %.4g frames", value);
  else if (quantity.ends_with("_px"))
    std::snprintf(text, sizeof text, "%.0f pixels %s", value, quantity == "width_px" ? "wide" : "high");
  else
    return spoken_value(quantity, value);
  return text;
}

std::string sends_of(const std::vector<Difference>& all, bool of_design) {
  std::string out;
  for (const auto& d : all) {
    const auto& target = d.verdict->target;
    const auto word = of_design ? target.word : d.verdict->reading.word();
    const auto number = of_design ? target.promised : d.verdict->reading.number();
    out += (out.empty() ? "" : ", ") + (word ? *word : number ? value_words(target.quantity, *number) : target.text);
  }
  return out;
}

Finding finding_of(const std::string& subject, const std::vector<Difference>& all, const Telling& telling) {
  const std::string first = all.front().setting->id;
  const bool one = std::all_of(all.begin(), all.end(), [&](const auto& d) { return d.setting->id == first; });
  const auto count = [&](Says what) { return std::count_if(all.begin(), all.end(), [&](const auto& d) { return telling.says(d) == what; }); };
  const auto as_sent = count(Says::as_sent), otherwise = count(Says::as_designed) + count(Says::a_third);
  Finding f{one ? first : "stream_set_otherwise", subject, "", "", {}, {}};
  f.sentence = spoken_subject(subject) + " sends another " + names_of(all) + " than designed: " + sends_of(all, false) + " instead of " + sends_of(all, true);
  if (otherwise > 0)
    f.sentence += as_sent > 0 ? "; of some of it the unit says otherwise" : "; the unit says that it is set otherwise, and does not send so";
  else if (as_sent > 0)
    f.sentence += "; the unit itself says that it is set so";
  f.next_step = one ? all.front().setting->next_step : "set the " + names_of(all) + " of this stream in the unit; they are on one page of its encoder";
  if (otherwise > 0 && as_sent == 0)
    f.next_step = std::string("save this stream's encoder settings anew and restart the unit: what it says it is set to is not what it sends") +
                  (first == "stream_frame_rate" ? "; in the dark look for a slow shutter" : "");
  for (const auto& d : all) f.evidence.push_back(telling.words(d));
  return f;
}

}  // namespace

std::vector<Finding> find_stream_settings(const std::vector<Verdict>& verdicts, const std::vector<Reading>& readings, const config::Limits& limits) {
  const Telling telling(readings, limits);
  std::vector<Finding> out;
  const auto differing = differences_of(verdicts, telling);
  for (const auto& [subject, all] : differing) out.push_back(finding_of(subject, all, telling));
  for (auto& finding : find_not_as_told(readings, limits)) {
    // Told already when the unit says otherwise of what differs from the design.
    const auto at = differing.find(finding.subject);
    const bool told = at != differing.end() && std::any_of(at->second.begin(), at->second.end(), [&](const auto& d) {
      const auto says = telling.says(d);
      return says == Says::as_designed || says == Says::a_third;
    });
    if (!told) out.push_back(std::move(finding));
  }
  return out;
}

}  // namespace tallywire::verdict
