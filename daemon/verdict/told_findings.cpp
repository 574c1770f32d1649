#include "daemon/verdict/findings.hpp"
#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <cmath>
#include <map>

namespace tallywire::verdict {
namespace {

using Last = std::map<std::pair<std::string, std::string>, const Reading*>;

const Reading* read_of(const Last& last, const std::string& subject, const std::string& quantity) {
  const auto at = last.find({subject, quantity});
  return at != last.end() && at->second->is_read() ? at->second : nullptr;
}

// How a told quantity is held against the measured one.
struct Pair {
  const char* told;
  const char* measured;
  const char* name;
  bool of_every_frame;  // says nothing of a stream that loses packets, and whole frames with them
  // Both are read and, for numbers, finite.
  bool (*differs)(const Reading& told, const Reading& measured, const config::Limits& limits);
};

double apart(const Reading& told, const Reading& measured) {
  const double room = told.uncertainty + measured.uncertainty;
  return std::abs(*told.number() - *measured.number()) - room;
}

const Pair pairs[] = {
    {"told_codec", "codec", "codec", false,
     [](const Reading& told, const Reading& measured, const config::Limits&) { return told.value != measured.value; }},
    {"told_width_px", "width_px", "picture width", false,
     [](const Reading& told, const Reading& measured, const config::Limits&) { return apart(told, measured) > 0; }},
    {"told_height_px", "height_px", "picture height", false,
     [](const Reading& told, const Reading& measured, const config::Limits&) { return apart(told, measured) > 0; }},
    {"told_frame_rate_hz", "frame_rate_hz", "frame rate", true,
     [](const Reading& told, const Reading& measured, const config::Limits& limits) {
       return apart(told, measured) > *told.number() * limits.frame_rate_tolerance_ratio;
     }},
    // A limit: less is no contradiction, for a quiet picture needs less.
    {"told_bit_rate_bps", "payload_bps", "bit rate", false,
     [](const Reading& told, const Reading& measured, const config::Limits& limits) {
       return *measured.number() > *told.number() && apart(told, measured) > *told.number() * limits.bit_rate_over_ratio;
     }},
    // Half a frame, as for the design's own: a mean over several GOPs is a fraction when one of them was cut short.
    {"told_gop_frames", "gop_frames", "key-frame interval", true,
     [](const Reading& told, const Reading& measured, const config::Limits&) { return apart(told, measured) > 0.5; }},
};

bool comparable(const Reading& told, const Reading& measured) {
  if (told.word() && measured.word()) return true;
  const auto a = told.number(), b = measured.number();
  return a && b && std::isfinite(*a) && std::isfinite(*b);
}

std::string spoken(const Reading& r) {
  return r.word() ? *r.word() : spoken_value(r.quantity, *r.number());
}

}  // namespace

std::vector<Finding> find_not_as_told(const std::vector<Reading>& readings, const config::Limits& limits) {
  Last last;
  for (const auto& r : readings) last[{r.subject, r.quantity}] = &r;
  std::vector<Finding> out;
  std::map<std::string, std::size_t> have;  // subject -> index
  for (const auto& pair : pairs) {
    for (const auto& [key, told] : last) {
      if (key.second != pair.told || !told->is_read()) continue;
      const auto* measured = read_of(last, key.first, pair.measured);
      const auto* loss = pair.of_every_frame ? read_of(last, key.first, "loss_ratio") : nullptr;
      if (loss && loss->number() > limits.loss_limit_ratio) continue;
      if (!measured || !comparable(*told, *measured) || !pair.differs(*told, *measured, limits)) continue;
      const auto [at, fresh] = have.try_emplace(key.first, out.size());
      if (fresh)
        out.push_back({"stream_not_as_told", key.first,
                       spoken_subject(key.first) + " sends another stream than the unit says it is set to: " +
                           pair.name + " " + spoken(*measured) + ", the unit says " + spoken(*told),
                       "look at this stream's encoder in the unit and save it anew; restart the unit if it keeps "
                       "sending something else; in the dark look for a slow shutter",
                       {}});
      out[at->second].evidence.push_back(std::string(pair.name) + ": measured " + spoken(*measured) +
                                         ", the unit says " + spoken(*told) + " (" + told->method + ")");
    }
  }
  return out;
}

}  // namespace tallywire::verdict
