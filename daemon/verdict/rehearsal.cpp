#include "daemon/verdict/rehearsal.hpp"

#include "daemon/verdict/routes.hpp"
#include "daemon/verdict/stream_loads.hpp"
#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>

namespace tallywire::verdict {
namespace {

constexpr const char* quantity = "carried_ratio";

Target target_of(const std::string& subject, double reserve, double asked_bps) {
  Target out;
  out.subject = subject;
  out.quantity = quantity;
  out.relation = Relation::at_least;
  out.low = 1;
  out.promised = 1;
  out.reserve = reserve;
  out.text = "carries " + spoken_bit_rate(asked_bps) + " of made-up streams without loss, with " + spoken_value("reserve_ratio", reserve) + " to spare";
  return out;
}

Reading reading_of(const std::string& subject, const RehearsedLoad& load, double asked_bps) {
  const auto low = load.carried_bps, high = load.lost_bps ? load.lost_bps : load.harm_bps;
  if (asked_bps <= 0) return unread(subject, quantity, "nothing of the design crosses it this way", load.when);
  // Less was made up than it is to carry, and all of that came through: nobody knows of the rest.
  if (!high && low && *low < asked_bps * (1 - 1e-9))
    return unread(subject, quantity,
                  !load.broke_off.empty() ? load.broke_off
                                          : "all of " + spoken_bit_rate(*low) + " came through, but it is to carry " + spoken_bit_rate(asked_bps) +
                                                ": make up more of it",
                  load.when);
  if (!high && !low) return unread(subject, quantity, load.broke_off.empty() ? "no step was carried to its end" : load.broke_off, load.when);
  // Loss that began above what is asked proves nothing against it.
  if (!low && *high > asked_bps) return unread(subject, quantity, "lost something at " + spoken_bit_rate(*high) + "; less was not tried to its end", load.when);
  return read_number(subject, quantity, low.value_or(0) / asked_bps, load.method, load.when);
}

}  // namespace

std::vector<std::size_t> uplinks_between(const config::Design& design, const std::string& from, const std::string& to) {
  return directed_way(links_of(design), from, to);
}

std::string node_at(const config::Design& design, const std::string& address) {
  if (design.far_end && design.far_end->address == address) return design.far_end->switch_id;
  for (const auto& recorder : design.recorders)
    if (recorder.address == address) return node_of(design, recorder);
  return {};
}

std::vector<Verdict> judge_rehearsal(const config::Design* design, std::span<const std::size_t> uplinks, const RehearsedLoad& load) {
  const double reserve = design ? design->limits.uplink_reserve_ratio : config::Limits().uplink_reserve_ratio;
  std::vector<Verdict> out;
  out.push_back(judge(target_of(config::far_end_subject, reserve, load.asked_bps), reading_of(config::far_end_subject, load, load.asked_bps)));
  if (!design) return out;
  const auto links = links_of(*design);
  const auto streams = streams_on_links(*design, links, {}, {}, Precedence::readings);
  for (const auto directed : uplinks) {
    double asked_bps = 0;
    for (const auto& s : streams)
      if (std::find(s.way.begin(), s.way.end(), directed) != s.way.end()) asked_bps += s.designed_bps * load.asked_scale;
    const auto& subject = links[directed / 2].subject;
    out.push_back(judge(target_of(subject, reserve, asked_bps), reading_of(subject, load, asked_bps)));
  }
  return out;
}

BusiestInstant busiest_of(std::span<const StreamWindows> streams, double risk_ratio) {
  std::vector<Crowd> crowds;
  for (const auto& s : streams) {
    // Streams that are alike stand side by side in a plan.
    if (!crowds.empty() && &s != streams.data() && s.windows == (&s - 1)->windows && s.mean_bps == (&s - 1)->mean_bps)
      ++crowds.back().streams;
    else
      crowds.push_back({LoadDistribution(s.windows, wire_window_ms, s.mean_bps), 1});
  }
  return busiest_instant(crowds, risk_ratio);
}

}  // namespace tallywire::verdict
