// What a round concludes from what it read: days held, headroom, verdicts, findings, and what they say of the roll.
#include "daemon/round/runner.hpp"

#include "daemon/verdict/headroom.hpp"
#include "daemon/verdict/link_findings.hpp"
#include "daemon/verdict/loss_where.hpp"
#include "daemon/verdict/one_cause.hpp"
#include "daemon/verdict/open_door.hpp"
#include "daemon/verdict/power.hpp"
#include "daemon/verdict/stream_settings.hpp"
#include "daemon/verdict/targets.hpp"
#include "daemon/verdict/where.hpp"
#include "probes/deadline.hpp"

#include <algorithm>
#include <limits>

namespace tallywire::round {

namespace asio = boost::asio;

// From the rates that were measured, not from those that were promised.
void Runner::read_days_held() {
  const auto when = now_utc();
  if (kind_ == "night")
    for (const auto& r : readings_)
      if (r.quantity == "payload_bps" && r.number()) nights_.push_back({std::numeric_limits<std::int64_t>::max(), when, r.subject, *r.number()});
  days_held_ = verdict::days_held_of(design_, readings_, instruments_.tapped(), nights_, when);
  std::erase_if(days_held_, [this](const verdict::DaysHeld& row) { return !wanted(row.store.subject); });
  for (const auto& row : days_held_) take({verdict::to_reading(row, when)});
}

// A unit that was here when the round began and dropped off while it ran: its presence is what it is now.
void Runner::read_losses(SystemTime when) {
  for (const auto& camera : design_.cameras) {
    const auto* entry = keeper_.roll().find(camera.id);
    if (!takes(camera) || !entry || entry->presence != Presence::lost) continue;
    const auto subject = config::subject_of(camera);
    std::erase_if(readings_, [&](const Reading& r) { return r.subject == subject && r.quantity == "presence"; });
    take({read_word(subject, "presence", name_of(Presence::lost), "frames heard and units asked", when)});
  }
}

// Of the whole site, or of a unit that the round is about, or of a part of one.
bool Runner::wanted(const std::string& subject) const {
  constexpr std::string_view camera = "camera/";
  if (whole_site()) return true;
  return subject.starts_with(camera) && wanted_.contains(subject.substr(camera.size(), subject.find('/', camera.size()) - camera.size()));
}

// Of the units that the round is about; what a verdict told already is not told twice.
void Runner::add_arrival_findings(std::vector<verdict::Finding>& findings) const {
  for (auto& finding : keeper_.findings()) {
    const bool told = std::any_of(findings.begin(), findings.end(),
                                  [&](const auto& f) { return f.id == finding.id && f.subject == finding.subject; });
    if (wanted(finding.subject) && !told) findings.push_back(std::move(finding));
  }
}

// Convolutions of hundreds of streams take a while: not on the network thread.
asio::awaitable<std::vector<verdict::HeadroomRow>> Runner::reckon_headroom() {
  if (!whole_site()) co_return std::vector<verdict::HeadroomRow>();
  asio::thread_pool reckoning(1);
  std::function<std::vector<verdict::HeadroomRow>()> reckon = [this, tapped = instruments_.tapped()] {
    return verdict::headroom_of(design_, readings_, tapped);
  };
  auto rows = co_await offload<std::vector<verdict::HeadroomRow>>(reckoning, std::move(reckon));
  co_return rows;
}

nlohmann::json Runner::conclude(const std::string& state, const std::vector<verdict::HeadroomRow>& headroom) {
  const auto when = now_utc();
  take(verdict::to_readings(headroom, when));
  read_losses(when);
  const auto verdicts = verdict::judge_all(verdict::targets_of(design_, wanted_), readings_, when);
  judge_roll(verdicts);
  const auto strangers = whole_site() ? keeper_.roll().strangers() : std::vector<verdict::Stranger>();
  auto findings = verdict::find_causes(verdicts, strangers);
  for (auto& finding : verdict::find_stream_settings(verdicts, readings_, design_.limits)) findings.push_back(std::move(finding));
  add_arrival_findings(findings);
  for (auto& finding : verdict::find_collisions(headroom)) findings.push_back(std::move(finding));
  for (auto& finding : verdict::find_link_causes(readings_)) findings.push_back(std::move(finding));
  for (auto& finding : verdict::find_power_causes(design_, {wanted_.begin(), wanted_.end()})) findings.push_back(std::move(finding));
  for (auto& finding : verdict::find_coming_short(days_held_)) findings.push_back(std::move(finding));
  for (auto& finding : verdict::find_loss_places(design_, readings_)) findings.push_back(std::move(finding));
  for (auto& finding : verdict::find_open_doors(design_, readings_)) findings.push_back(std::move(finding));
  findings = verdict::tell_once(std::move(findings));
  verdict::name_ports(findings, design_, readings_);
  const auto counts = verdict::count(verdicts);
  std::vector<Entry> roll;
  for (const auto& entry : keeper_.roll().entries())
    if (whole_site() || wanted_.contains(entry.camera)) roll.push_back(entry);
  return {{"kind", kind_},
          {"state", state},
          {"site", design_.site.name},
          {"design_sha256", design_.sha256},
          {"started", to_rfc3339(started_)},
          {"ended", to_rfc3339(when)},
          {"accepted", nullptr},
          {"planned_s", planned_s_},
          {"plan", plan_text_},
          {"roll", roll},
          {"strangers", strangers},
          {"verdicts", verdicts},
          {"findings", findings},
          {"headroom", headroom},
          {"days_held", days_held_},
          {"counts", counts},
          {"exit_code", verdict::exit_code_of(counts)}};
}

// A camera is proven when nothing of it is missed or unread: what could not be measured proves nothing.
void Runner::judge_roll(const std::vector<verdict::Verdict>& verdicts) {
  struct Count {
    int missed = 0, not_read = 0;
  };
  constexpr std::string_view is_camera = "camera/";
  std::map<std::string, Count, std::less<>> of_camera;  // in one pass: a large site has tens of thousands of verdicts
  for (const auto& v : verdicts) {
    const std::string_view subject = v.target.subject;
    if (!subject.starts_with(is_camera)) continue;
    auto& count = of_camera[std::string(subject.substr(0, subject.find('/', is_camera.size())))];
    count.missed += v.kind == verdict::Kind::missed;
    count.not_read += v.kind == verdict::Kind::unread;
  }
  for (const auto& camera : design_.cameras) {
    if (!takes(camera)) continue;
    const auto [missed, not_read] = of_camera[config::subject_of(camera)];
    const auto read = last_read_.find(camera.id);
    const auto as_of = read == last_read_.end() ? started_ : read->second;
    if (missed > 0)
      keeper_.judged(camera.id, Presence::wanting, std::to_string(missed) + (missed == 1 ? " target" : " targets") + " missed", as_of);
    else if (not_read == 0)
      keeper_.judged(camera.id, Presence::proven, "", as_of);
    else if (!stop_.requested())  // what a round proved once is not proven now; a round that was stopped says nothing of it
      keeper_.judged(camera.id, Presence::arrived, std::to_string(not_read) + (not_read == 1 ? " target" : " targets") + " unread", as_of);
  }
}

}  // namespace tallywire::round
