#include "daemon/verdict/headroom.hpp"

#include "daemon/verdict/routes.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>
#include <map>

namespace tallywire::verdict {
namespace {

// (ln(1/risk) + sum ln(1 - q + q e^(s p))) / s, computed without overflow for large s p.
double chernoff_rate(std::span<const Load> loads, double log_inverse_risk, double s) {
  double sum = log_inverse_risk;
  for (const auto& load : loads) {
    if (load.peak_bps <= 0) continue;
    const double q = std::clamp(load.mean_bps / load.peak_bps, 0.0, 1.0);
    const double sp = s * load.peak_bps;
    sum += sp + std::log(q + (1 - q) * std::exp(-sp));
  }
  return sum / s;
}

struct StreamLoads {
  double designed_bps = 0;
  int streams = 0;
  std::vector<Load> measured;
  int tapped = 0;
  SystemTime tapped_at{};  // the newest of them
};

using ByName = std::map<std::string, const Reading*>;

ByName by_name(const std::vector<Reading>& readings) {
  ByName out;
  for (const auto& r : readings) out[r.subject + " " + r.quantity] = &r;
  return out;
}

std::optional<double> number_of(const ByName& readings, const std::string& subject, const std::string& quantity) {
  const auto found = readings.find(subject + " " + quantity);
  if (found == readings.end()) return std::nullopt;
  return found->second->number();
}

struct MeasuredLoad {
  Load load;
  SystemTime when{};
  bool tapped = false;
};

std::optional<MeasuredLoad> load_of(const ByName& readings, const std::string& subject, bool tapped) {
  const auto wire = number_of(readings, subject, "wire_bps");
  const auto payload = number_of(readings, subject, "payload_bps");
  const auto peak = number_of(readings, subject, "peak_bps_100ms");
  if (!wire || !payload || !peak || *payload <= 0) return std::nullopt;
  // The peak is counted in payload octets: brought to the wire by the stream's own ratio.
  return MeasuredLoad{{*wire, std::max(*wire, *peak * *wire / *payload)}, readings.at(subject + " wire_bps")->when, tapped};
}

void add(StreamLoads& loads, const MeasuredLoad& measured) {
  loads.measured.push_back(measured.load);
  if (!measured.tapped) return;
  ++loads.tapped;
  loads.tapped_at = std::max(loads.tapped_at, measured.when);
}

// "3 of 5 streams by the tap at 14:03 UTC"
std::string by_the_tap(const StreamLoads& loads) {
  constexpr std::size_t hour = 11, length = 5;  // of RFC 3339
  return std::to_string(loads.tapped) + " of " + std::to_string(loads.streams) + (loads.streams == 1 ? " stream" : " streams") + " by the tap at " +
         to_rfc3339(loads.tapped_at).substr(hour, length) + " UTC";
}

void finish(HeadroomRow& row, const StreamLoads& loads) {
  row.designed_bps = loads.designed_bps;
  row.streams = loads.streams;
  row.streams_measured = static_cast<int>(loads.measured.size());
  row.streams_tapped = loads.tapped;
  double mean = 0;
  for (const auto& load : loads.measured) mean += load.mean_bps;
  const bool whole = row.streams_measured == row.streams;
  if (row.streams == 0) {
    row.unread = "no stream of the design crosses this uplink";
    return;
  }
  if (!whole)
    row.unread = std::to_string(row.streams - row.streams_measured) + " of " +
                 std::to_string(row.streams) + " streams that cross it could not be metered";
  if (row.streams_measured == 0) return;
  row.measured_bps = mean;
  row.busiest_bps = busiest_bps(loads.measured, row.busiest_risk_ratio);
  row.method = "sum of the metered streams on the wire; busiest 100 ms by Chernoff's bound, phases "
               "taken as independent";
  if (loads.tapped > 0) row.method += "; " + by_the_tap(loads);
}

}  // namespace

double busiest_bps(std::span<const Load> loads, double risk_ratio) {
  double peaks = 0, mean = 0, least = 0;
  for (const auto& load : loads) {
    peaks += load.peak_bps;
    mean += load.mean_bps;
    if (load.peak_bps > 0 && (least == 0 || load.peak_bps < least)) least = load.peak_bps;
  }
  if (peaks <= 0) return 0;
  // The rate is unimodal in s; its minimum lies where s times the peaks is of the order of ln(1/risk).
  // Golden section over log s covers ten decades about that.
  const double log_inverse_risk = -std::log(risk_ratio);
  double low = std::log(1e-6 / peaks), high = std::log(1e5 / least);
  constexpr double golden = 0.6180339887498949;
  double a = high - golden * (high - low), b = low + golden * (high - low);
  double fa = chernoff_rate(loads, log_inverse_risk, std::exp(a));
  double fb = chernoff_rate(loads, log_inverse_risk, std::exp(b));
  for (int i = 0; i < 200 && high - low > 1e-9; ++i) {
    if (fa < fb) {
      high = b;
      b = a;
      fb = fa;
      a = high - golden * (high - low);
      fa = chernoff_rate(loads, log_inverse_risk, std::exp(a));
    } else {
      low = a;
      a = b;
      fa = fb;
      b = low + golden * (high - low);
      fb = chernoff_rate(loads, log_inverse_risk, std::exp(b));
    }
  }
  return std::clamp(std::min(fa, fb), mean, std::max(peaks, mean));
}

double designed_wire_bps(double payload_bps) { return payload_bps * 1478.0 / 1400.0; }

std::vector<HeadroomRow> headroom_of(const config::Design& design, const std::vector<Reading>& readings,
                                     const std::vector<Reading>& tapped, Precedence which) {
  const auto own = by_name(readings), by_tap = by_name(tapped);
  const auto links = links_of(design);
  std::vector<StreamLoads> loads(links.size());
  for (const auto& camera : design.cameras)
    for (const auto& head : camera.heads)
      for (const auto& stream : head.streams) {
        const auto to = destination_of(design, stream_name(camera, head, stream));
        if (to.empty()) continue;
        const auto subject = config::subject_of(camera, head, stream);
        auto measured = load_of(own, subject, false);
        const auto seen = load_of(by_tap, subject, true);
        if (seen && (!measured || (which == Precedence::newest && seen->when > measured->when))) measured = seen;
        for (const auto i : route(links, camera.switch_id, to)) {
          loads[i].designed_bps += designed_wire_bps(static_cast<double>(stream.bit_rate_bps));
          ++loads[i].streams;
          if (measured) add(loads[i], *measured);
        }
      }
  std::vector<HeadroomRow> rows;
  for (std::size_t i = 0; i < links.size(); ++i) {
    HeadroomRow row;
    row.uplink = links[i].subject;
    row.speed_bps = static_cast<double>(links[i].speed_bps);
    row.ceiling_bps = row.speed_bps * design.limits.uplink_ceiling_ratio;
    row.busiest_risk_ratio = design.limits.busiest_instant_risk_ratio;
    finish(row, loads[i]);
    rows.push_back(std::move(row));
  }
  return rows;
}

std::vector<Reading> to_readings(const std::vector<HeadroomRow>& rows, SystemTime when) {
  std::vector<Reading> out;
  const auto add = [&](const HeadroomRow& row, const char* quantity, std::optional<double> value,
                       double limit) {
    // A sum of some streams proves a miss, never a pass.
    if (value && (row.unread.empty() || *value > limit))
      out.push_back(read_number(row.uplink, quantity, *value, row.method, when));
    else
      out.push_back(unread(row.uplink, quantity, row.unread, when));
  };
  for (const auto& row : rows) {
    if (row.streams == 0) continue;
    add(row, "measured_bps", row.measured_bps, row.ceiling_bps);
    add(row, "busiest_bps", row.busiest_bps, row.speed_bps);
  }
  return out;
}

void to_json(nlohmann::json& out, const HeadroomRow& row) {
  out = {{"uplink", row.uplink},
         {"speed_bps", row.speed_bps},
         {"ceiling_bps", row.ceiling_bps},
         {"designed_bps", row.designed_bps},
         {"measured_bps", nullptr},
         {"busiest_bps", nullptr},
         {"busiest_risk_ratio", row.busiest_risk_ratio},
         {"streams", row.streams},
         {"streams_measured", row.streams_measured},
         {"streams_tapped", row.streams_tapped},
         {"method", row.method},
         {"unread", nullptr}};
  if (row.measured_bps) out["measured_bps"] = *row.measured_bps;
  if (row.busiest_bps) out["busiest_bps"] = *row.busiest_bps;
  if (!row.unread.empty()) out["unread"] = row.unread;
}

}  // namespace tallywire::verdict
