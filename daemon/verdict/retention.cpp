#include "daemon/verdict/retention.hpp"

#include "daemon/verdict/routes.hpp"

#include <algorithm>
#include <map>

namespace tallywire::verdict {

double days_held(double capacity_bytes, double kept_free_ratio, double bytes_per_s) {
  constexpr double seconds_per_day = 86400;
  return capacity_bytes * (1 - kept_free_ratio) / (bytes_per_s * seconds_per_day);
}

Reading days_held_reading(const config::Design& design, const config::Recorder& recorder,
                          const config::Volume& volume, const std::vector<Reading>& readings,
                          SystemTime when) {
  const auto subject = config::subject_of(recorder, volume);
  std::map<std::string, double> rate_bps;  // by subject
  for (const auto& r : readings)
    if (r.quantity == "payload_bps" && r.number()) rate_bps[r.subject] = *r.number();
  double bytes_per_s = 0;
  std::size_t missing = 0;
  for (const auto& camera : design.cameras)
    for (const auto& head : camera.heads)
      for (const auto& stream : head.streams) {
        const auto name = stream_name(camera, head, stream);
        if (std::find(volume.streams.begin(), volume.streams.end(), name) == volume.streams.end()) continue;
        const auto rate = rate_bps.find(config::subject_of(camera, head, stream));
        if (rate == rate_bps.end())
          ++missing;
        else
          bytes_per_s += rate->second / 8;
      }
  if (missing > 0)
    return unread(subject, "days_held_days",
                  std::to_string(missing) + " of its " + std::to_string(volume.streams.size()) +
                      " streams could not be metered",
                  when);
  if (bytes_per_s <= 0) return unread(subject, "days_held_days", "its streams carry nothing", when);
  return read_number(subject, "days_held_days",
                     days_held(volume.capacity_bytes, design.limits.volume_kept_free_ratio, bytes_per_s),
                     "designed capacity less what is kept free, at the measured rates", when);
}

}  // namespace tallywire::verdict
