#include "daemon/verdict/retention.hpp"

#include "daemon/verdict/routes.hpp"
#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>
#include <map>
#include <set>

namespace tallywire::verdict {
namespace {

constexpr double seconds_per_day = 86'400;

using Rates = std::map<std::string, const Reading*>;  // by the stream's subject

// The reading that was taken over the longest time says most of the mean.
Rates rates_of(const std::vector<Reading>& readings, const std::vector<Reading>& tapped) {
  Rates out;
  for (const auto* from : {&readings, &tapped})
    for (const auto& r : *from) {
      if (r.quantity != "payload_bps" || !r.number()) continue;
      auto& have = out[r.subject];
      const bool same_source = from == &readings;  // a later reading of the round stands for an earlier one
      if (!have || same_source || r.over > have->over) have = &r;
    }
  return out;
}

Store store_of(const config::Design& design, const config::Recorder& recorder, const config::Volume& volume) {
  Store out{config::subject_of(recorder, volume), volume.path, volume.on_far_end, volume.capacity_bytes, volume.days_to_hold, {}, ""};
  const std::set<std::string> names(volume.streams.begin(), volume.streams.end());
  for (const auto& camera : design.cameras)
    for (const auto& head : camera.heads)
      for (const auto& stream : head.streams)
        if (names.contains(stream_name(camera, head, stream))) out.streams.push_back(config::subject_of(camera, head, stream));
  return out;
}

Store store_of(const config::Camera& camera) {
  Store out{config::subject_of(camera) + "/cards", "", false, 0, camera.card_days_to_hold, {}, ""};
  const bool copies = camera.card_use == config::CardUse::copies;
  for (const auto& card : camera.cards)
    out.designed_bytes = copies && out.designed_bytes > 0 ? std::min(out.designed_bytes, card.capacity_bytes)
                                                          : out.designed_bytes + card.capacity_bytes;
  const std::set<std::string> names(camera.card_streams.begin(), camera.card_streams.end());
  for (const auto& head : camera.heads)
    for (const auto& stream : head.streams)
      if (names.empty() ? stream.use == "record" : names.contains(head.id + "/" + stream.id))
        out.streams.push_back(config::subject_of(camera, head, stream));
  if (out.streams.empty()) out.unread = "the design does not say which streams the cards record (“card_streams”, or “use”: “record”)";
  return out;
}

void sum_rates(DaysHeld& row, const Rates& rates, SystemTime now) {
  double payload_bps = 0, variance = 0;
  std::size_t missing = 0;
  row.when = now;
  for (const auto& stream : row.store.streams) {
    const auto found = rates.find(stream);
    if (found == rates.end()) {
      ++missing;
      continue;
    }
    payload_bps += *found->second->number();
    variance += found->second->uncertainty * found->second->uncertainty;  // streams are independent
    row.when = std::min(row.when, found->second->when);
  }
  const double to_disk = (1 + row.container_overhead_ratio) / 8;
  row.rate_uncertainty_bytes_per_s = std::sqrt(variance) * to_disk;
  if (missing > 0)
    row.unread = std::to_string(missing) + " of its " + std::to_string(row.store.streams.size()) + " streams could not be metered";
  else if (payload_bps <= 0)
    row.unread = "its streams carry nothing";
  else
    row.rate_bytes_per_s = payload_bps * to_disk;
}

// A night counts when all streams of the store were read in it.
std::vector<NightSum> nights_of(const Store& store, const std::vector<NightRate>& nights, double container_overhead_ratio) {
  struct Sum {
    SystemTime when{};
    double bps = 0;
    std::set<std::string> streams;
  };
  const std::set<std::string> wanted(store.streams.begin(), store.streams.end());
  std::map<std::int64_t, Sum> sums;
  for (const auto& night : nights) {
    if (!wanted.contains(night.subject)) continue;
    auto& sum = sums[night.round];
    if (!sum.streams.insert(night.subject).second) continue;
    sum.when = night.when;
    sum.bps += night.payload_bps;
  }
  std::vector<NightSum> out;
  for (const auto& [round, sum] : sums)
    if (sum.streams.size() == wanted.size()) out.push_back({sum.when, sum.bps / 8 * (1 + container_overhead_ratio)});
  std::sort(out.begin(), out.end(), [](const NightSum& a, const NightSum& b) { return a.when < b.when; });
  return out;
}

void put_capacity(DaysHeld& row, const std::vector<Reading>& readings) {
  row.capacity_bytes = row.store.designed_bytes;
  for (const auto& r : readings)
    if (r.subject == row.store.subject && r.quantity == "capacity_bytes" && r.number()) {
      row.capacity_is_measured = *r.number() < row.store.designed_bytes;
      row.capacity_bytes = std::min(*r.number(), row.store.designed_bytes);
    }
}

std::string method_of(const DaysHeld& row) {
  char text[200];
  std::snprintf(text, sizeof text, "%s capacity, %g %% kept free, measured payload rates and %g %% of container overhead",
                row.capacity_is_measured ? "measured" : "designed", row.kept_free_ratio * 100, row.container_overhead_ratio * 100);
  return text;
}

}  // namespace

double days_held(double capacity_bytes, double kept_free_ratio, double bytes_per_s) {
  return capacity_bytes * (1 - kept_free_ratio) / (bytes_per_s * seconds_per_day);
}

std::vector<Store> stores_of(const config::Design& design) {
  std::vector<Store> out;
  for (const auto& recorder : design.recorders)
    for (const auto& volume : recorder.volumes)
      if (!volume.streams.empty()) out.push_back(store_of(design, recorder, volume));
  for (const auto& camera : design.cameras)
    if (!camera.cards.empty()) out.push_back(store_of(camera));
  return out;
}

std::vector<DaysHeld> days_held_of(const config::Design& design, const std::vector<Reading>& readings, const std::vector<Reading>& tapped,
                                   const std::vector<NightRate>& nights, SystemTime now) {
  const auto rates = rates_of(readings, tapped);
  std::vector<DaysHeld> out;
  for (auto& store : stores_of(design)) {
    DaysHeld row;
    row.store = std::move(store);
    row.kept_free_ratio = design.limits.volume_kept_free_ratio;
    row.container_overhead_ratio = design.limits.container_overhead_ratio;
    put_capacity(row, readings);
    row.method = method_of(row);
    row.unread = row.store.unread;
    if (row.unread.empty()) sum_rates(row, rates, now);
    if (row.rate_bytes_per_s) {
      row.days = days_held(*row.capacity_bytes, row.kept_free_ratio, *row.rate_bytes_per_s);
      row.uncertainty_days = *row.days * row.rate_uncertainty_bytes_per_s / *row.rate_bytes_per_s;
    }
    if (!row.days)
      row.forecast.reason = row.unread;
    else if (row.store.days_to_hold <= 0)
      row.forecast.reason = "the design does not say how many days it must hold";
    else
      row.forecast = forecast_of(nights_of(row.store, nights, row.container_overhead_ratio), *row.capacity_bytes * (1 - row.kept_free_ratio),
                                 row.store.days_to_hold, *row.days, now);
    out.push_back(std::move(row));
  }
  return out;
}

std::vector<Finding> find_coming_short(const std::vector<DaysHeld>& rows) {
  std::vector<Finding> out;
  for (const auto& row : rows) {
    const auto& f = row.forecast;
    if (f.state != Forecast::Short::on_a_day) continue;
    const auto day = [](SystemTime when) { return to_rfc3339(when).substr(0, 10); };
    char grows[160];
    std::snprintf(grows, sizeof grows, "%zu nights: its streams grow by %.3g MB/s a day (95 %%: %.3g to %.3g)", f.nights, f.trend->per_day / 1e6,
                  f.trend->per_day_low / 1e6, f.trend->per_day_high / 1e6);
    char holds[120];
    std::snprintf(holds, sizeof holds, "it holds %.4g days at the newest rates, %.4g are asked for", *row.days, row.store.days_to_hold);
    out.push_back({"volume_coming_short", row.store.subject,
                   spoken_subject(row.store.subject) + " will hold fewer days than asked for from " + day(*f.on) + " on" +
                       (f.earliest ? ", at the earliest from " + day(*f.earliest) : "") +
                       (f.latest ? ", at the latest from " + day(*f.latest) : ""),
                   "look which streams grow (what moves in their view, night noise, rate settings); add capacity before that day", {grows, holds}});
  }
  return out;
}

Reading to_reading(const DaysHeld& row, SystemTime when) {
  if (!row.days) return unread(row.store.subject, days_held_quantity, row.unread, when);
  return read_number(row.store.subject, days_held_quantity, *row.days, row.method, when, {}, row.uncertainty_days);
}

void to_json(nlohmann::json& out, const DaysHeld& row) {
  using nlohmann::json;
  const auto number = [](const std::optional<double>& value) { return value ? json(*value) : json(); };
  const auto day = [](const std::optional<SystemTime>& when) { return when ? json(to_rfc3339(*when).substr(0, 10)) : json(); };
  const auto& f = row.forecast;
  const bool unread = f.state == Forecast::Short::unread;
  out = {{"subject", row.store.subject},
         {"path", row.store.path.empty() ? json() : json(row.store.path)},
         {"on_far_end", row.store.on_far_end},
         {"streams", row.store.streams.size()},
         {"capacity_bytes", number(row.capacity_bytes)},
         {"capacity_from", row.capacity_is_measured ? "measured" : "design"},
         {"kept_free_ratio", row.kept_free_ratio},
         {"container_overhead_ratio", row.container_overhead_ratio},
         {"rate_bytes_per_s", number(row.rate_bytes_per_s)},
         {"rate_uncertainty_bytes_per_s", row.rate_uncertainty_bytes_per_s},
         {"days_held_days", number(row.days)},
         {"uncertainty_days", row.uncertainty_days},
         {"days_to_hold_days", row.store.days_to_hold > 0 ? json(row.store.days_to_hold) : json()},
         {"rates_since", to_rfc3339(row.when)},
         {"method", row.method},
         {"nights", f.nights},
         {"trend_bytes_per_s_per_day", f.trend ? json(f.trend->per_day) : json()},
         {"trend_low_bytes_per_s_per_day", f.trend ? json(f.trend->per_day_low) : json()},
         {"trend_high_bytes_per_s_per_day", f.trend ? json(f.trend->per_day_high) : json()},
         {"falls_short", unread ? json() : json(name_of(f.state))},
         {"falls_short_on", day(f.on)},
         {"falls_short_earliest", day(f.earliest)},
         {"falls_short_latest", day(f.latest)},
         {"unread", json::object()}};
  if (!row.days) out["unread"]["days_held_days"] = row.unread;
  if (unread) out["unread"]["falls_short"] = f.reason;
  if (!f.trend) out["unread"]["trend_bytes_per_s_per_day"] = f.reason;
}

}  // namespace tallywire::verdict
