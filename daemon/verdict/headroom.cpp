#include "daemon/verdict/headroom.hpp"

#include "daemon/verdict/burst.hpp"
#include "daemon/verdict/routes.hpp"
#include "daemon/verdict/words.hpp"

#include <algorithm>
#include <cmath>
#include <compare>
#include <cstdio>
#include <map>

namespace tallywire::verdict {
namespace {

using Streams = std::vector<const StreamOnLinks*>;

std::string figure(const char* format, double value) {
  char text[32];
  std::snprintf(text, sizeof text, format, value);
  return text;
}

std::string of_streams(int some, int all) {
  return std::to_string(some) + " of " + std::to_string(all) + (all == 1 ? " stream" : " streams");
}

// A stream that has nothing but a mean and a peak is bounded as if it were all or nothing: for the bound that is the worst there
// is, for the convolution it is not.
bool all_have_windows(const Streams& streams) {
  return std::all_of(streams.begin(), streams.end(), [](const auto* s) { return !s->measured || s->measured->windows; });
}

std::vector<Crowd> crowds_of(const Streams& streams) {
  std::vector<Crowd> out;
  for (const auto* s : streams)
    if (s->measured) out.push_back({s->measured->windows ? *s->measured->windows : LoadDistribution(s->measured->load), 1});
  return out;
}

// "3 of 5 streams by the tap at 14:03 UTC"
std::string by_the_tap(const Streams& streams, int tapped) {
  constexpr std::size_t hour = 11, length = 5;  // of RFC 3339
  SystemTime newest{};
  for (const auto* s : streams)
    if (s->measured && s->measured->tapped) newest = std::max(newest, s->measured->when);
  return of_streams(tapped, static_cast<int>(streams.size())) + " by the tap at " + to_rfc3339(newest).substr(hour, length) + " UTC";
}

std::string how_found(const HeadroomRow& row, bool all_windows) {
  const auto& b = row.busiest;
  const std::string window = "busiest " + std::to_string(wire_window_ms) + " ms by ";
  if (!all_windows) return window + "Chernoff's bound, from mean and peak where a stream has no window distribution";
  if (!b.by_convolution) return window + "Chernoff's bound on the measured window distributions";
  return window + "exact convolution (FFT) of the measured window distributions, each rounded up to a grid of " + std::to_string(b.grid_steps) + " steps of " +
         spoken_bit_rate(b.grid_step_bps) + ", in all at most " + spoken_bit_rate(b.rounding_bps) + " too high by it; the transform's own error below " +
         figure("%.1g", b.error_ratio);
}

std::string method_of(const HeadroomRow& row, const Streams& streams) {
  std::string out = "sum of the metered streams on the wire " + row.direction + " (a link carries each way at its full speed); " + how_found(row, all_have_windows(streams)) + "; exceeded in a window with a probability of at most " +
                    figure("%.2g", row.busiest.exceeded_ratio) + ", phases taken as independent: an assumption, frame clocks can lock";
  if (row.windows_least > 0)
    out += "; each stream was seen in " + figure("%.0f", std::floor(row.windows_least)) + " windows or more: what comes more rarely in one stream was not seen";
  const auto few = static_cast<int>(std::count_if(streams.begin(), streams.end(), [](const auto* s) { return s->measured && !s->measured->two_keyframes; }));
  if (few > 0)
    out += "; of " + of_streams(few, static_cast<int>(streams.size())) + " fewer than two key frames were seen: their peaks may be higher";
  if (row.streams_tapped > 0) out += "; " + by_the_tap(streams, row.streams_tapped);
  return out;
}

// Enough for any port; a link of many thousand units is none that a person plans by this figure.
constexpr int most_more_units = 9999;

// The most units, up to `most`, with which the busiest instant still fits. The bound first: where it fits, so does the sum.
int fitting_units(const std::vector<Crowd>& there, const std::vector<Crowd>& unit, int most, const HeadroomRow& row, bool by_windows) {
  const auto fits = [&](int units) {
    auto all = there;
    for (auto crowd : unit) {
      crowd.streams *= units;
      if (units > 0) all.push_back(std::move(crowd));
    }
    return bounded_bps(all, row.busiest_risk_ratio) <= row.speed_bps ||
           (by_windows && busiest_instant(all, row.busiest_risk_ratio).bps <= row.speed_bps);
  };
  if (most == 0 || fits(most)) return most;
  int fit = 0, over = most;
  while (over - fit > 1) {
    const int middle = fit + (over - fit) / 2;
    (fits(middle) ? fit : over) = middle;
  }
  return fit;
}

MoreUnits more_units(const HeadroomRow& row, const Streams& streams) {
  MoreUnits out;
  std::map<const config::Camera*, double> units;
  for (const auto* s : streams)
    if (s->measured) units[s->camera] += s->measured->load.mean_bps;
  if (units.empty()) {
    out.unread = "no unit was measured on it";
    return out;
  }
  // The heaviest; the design's order among equals.
  const config::Camera* like = nullptr;
  for (const auto* s : streams)
    if (s->measured && (!like || units[s->camera] > units[like])) like = s->camera;
  out.like = config::subject_of(*like);
  const bool over_ceiling = *row.measured_bps > row.ceiling_bps, over_speed = *row.busiest_bps > row.speed_bps;
  if (!row.unread.empty() && !over_ceiling && !over_speed) {
    out.unread = row.unread;
    return out;
  }
  const double room = (row.ceiling_bps - *row.measured_bps) / units[like];
  const int by_mean = over_ceiling ? 0 : static_cast<int>(std::clamp(std::floor(room), 0.0, static_cast<double>(most_more_units)));
  out.units = by_mean;
  out.limited_by = "ceiling";
  if (over_speed) {
    out.units = 0;
    out.limited_by = "busiest_instant";
    return out;
  }
  Streams of_unit;
  std::copy_if(streams.begin(), streams.end(), std::back_inserter(of_unit), [&](const auto* s) { return s->camera == like; });
  const int fit = fitting_units(crowds_of(streams), crowds_of(of_unit), by_mean, row, all_have_windows(streams));
  if (fit < by_mean) {
    out.units = fit;
    out.limited_by = "busiest_instant";
  }
  return out;
}

BufferNeed buffer_need(const Streams& streams, std::size_t link, const std::vector<StreamOnLinks>& all, const std::vector<Link>& links) {
  BufferNeed out;
  const auto without = static_cast<int>(
      std::count_if(streams.begin(), streams.end(), [](const auto* s) { return !s->measured || !s->measured->keyframe_octets || !s->unit_link_bps; }));
  if (without > 0) {
    out.unread = "of " + of_streams(without, static_cast<int>(streams.size())) + " no whole key frame, or no link speed of its unit, was read";
    return out;
  }
  std::vector<double> link_bps;
  for (const auto& l : links) link_bps.insert(link_bps.end(), 2, static_cast<double>(l.speed_bps));
  std::map<const config::Camera*, std::size_t> units;
  std::vector<BurstFlow> flows;
  for (const auto& s : all)
    if (s.measured && s.measured->keyframe_octets && s.unit_link_bps)
      flows.push_back({*s.measured->keyframe_octets, units.try_emplace(s.camera, units.size()).first->second, *s.unit_link_bps, s.way});
  out.bytes = std::max(most_waiting_octets(flows, 2 * link, link_bps), most_waiting_octets(flows, 2 * link + 1, link_bps));
  out.method = "fluid model: the largest key frame seen of every stream starts at the same moment and comes at the speed of its unit's link; what the uplink "
               "does not drain meanwhile waits before it. A requirement: no standard MIB tells how large the switch's buffer is";
  return out;
}

void take_loads(HeadroomRow& row, const Streams& streams) {
  double mean = 0;
  for (const auto* s : streams) {
    row.designed_bps += s->designed_bps;
    ++row.streams;
    if (!s->measured) continue;
    ++row.streams_measured;
    row.streams_tapped += s->measured->tapped;
    mean += s->measured->load.mean_bps;
  }
  if (row.streams_measured > 0) row.measured_bps = mean;
}

void finish(HeadroomRow& row, const Streams& streams) {
  take_loads(row, streams);
  if (row.streams == 0) {
    row.unread = "no stream of the design crosses this uplink";
    row.more.unread = row.buffer.unread = row.unread;
    return;
  }
  if (row.streams_measured < row.streams)
    row.unread = of_streams(row.streams - row.streams_measured, row.streams) + " that cross it could not be metered";
  if (row.streams_measured == 0) {
    row.more.unread = row.unread;
    return;
  }
  const bool by_windows = all_have_windows(streams);
  const auto crowds = crowds_of(streams);
  if (by_windows)
    row.busiest = busiest_instant(crowds, row.busiest_risk_ratio);
  else
    row.busiest = {bounded_bps(crowds, row.busiest_risk_ratio), row.busiest_risk_ratio, false, 0, 0, 0, 0};
  row.busiest_bps = std::max(row.busiest.bps, *row.measured_bps);
  row.together_bps = std::max(sums_of(crowds).peaks_bps, *row.measured_bps);
  if (by_windows) {
    row.windows_least = HUGE_VAL;
    for (const auto* s : streams)
      if (s->measured) row.windows_least = std::min(row.windows_least, s->measured->windows_seen);
  }
  row.more = more_units(row, streams);
  row.method = method_of(row, streams);
}

template <class Through>
Streams streams_through(const std::vector<StreamOnLinks>& all, Through through) {
  Streams out;
  for (const auto& s : all)
    if (std::any_of(s.way.begin(), s.way.end(), through)) out.push_back(&s);
  return out;
}

std::string towards(const config::Design& design, const std::string& node) {
  if (design.find_switch(node)) return "towards switch " + node;
  return node == "core" ? "towards the core" : "towards recorder " + node;
}

// `directed` as in StreamOnLinks::way.
HeadroomRow one_way(const config::Design& design, const std::vector<Link>& links, const std::vector<StreamOnLinks>& all, std::size_t directed) {
  const auto& link = links[directed / 2];
  HeadroomRow row;
  row.uplink = link.subject;
  row.speed_bps = static_cast<double>(link.speed_bps);
  row.ceiling_bps = row.speed_bps * design.limits.uplink_ceiling_ratio;
  row.busiest_risk_ratio = design.limits.busiest_instant_risk_ratio;
  const auto streams = streams_through(all, [&](std::size_t one) { return one == directed; });
  if (!streams.empty()) row.direction = towards(design, directed % 2 == 0 ? link.to : link.from);
  finish(row, streams);
  return row;
}

// The higher, the worse: what is proven to be over, then what could not be read whole (the other way must not pass for it),
// then what holds by chance alone, then the fuller one.
struct Rank {
  int state = 0;
  double load_ratio = 0, designed_bps = 0;
  auto operator<=>(const Rank&) const = default;
};

Rank rank_of(const HeadroomRow& row) {
  Rank out{0, 0, row.designed_bps};
  if (row.streams == 0) return out;
  if (row.measured_bps) out.load_ratio = std::max(*row.measured_bps / row.ceiling_bps, *row.busiest_bps / row.speed_bps);
  out.state = out.load_ratio > 1 ? 4 : !row.unread.empty() ? 3 : row.together_bps.value_or(0) > row.speed_bps ? 2 : 1;
  return out;
}

}  // namespace

double designed_wire_bps(double payload_bps) { return payload_bps * 1478.0 / 1400.0; }

std::vector<HeadroomRow> headroom_of(const config::Design& design, const std::vector<Reading>& readings,
                                     const std::vector<Reading>& tapped, Precedence which) {
  const auto links = links_of(design);
  const auto all = streams_on_links(design, links, readings, tapped, which);
  std::vector<HeadroomRow> rows;
  for (std::size_t i = 0; i < links.size(); ++i) {
    const auto crossing = streams_through(all, [&](std::size_t directed) { return directed / 2 == i; });
    auto row = one_way(design, links, all, 2 * i), back = one_way(design, links, all, 2 * i + 1);
    if (rank_of(row) < rank_of(back)) row = std::move(back);
    if (row.streams > 0) row.buffer = buffer_need(crossing, i, all, links);
    rows.push_back(std::move(row));
  }
  return rows;
}

}  // namespace tallywire::verdict
