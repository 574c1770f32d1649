// What the service does with the taps that it holds: tells of them, and feeds headroom.
#include "daemon/site_service.hpp"
#include "daemon/verdict/headroom.hpp"
#include "probes/deadline.hpp"

#include <nlohmann/json.hpp>
#include <spdlog/spdlog.h>

namespace tallywire {

namespace asio = boost::asio;

namespace {

Fault no_tap() {
  return {FaultKind::bad_request, "the service holds no tap", "",
          "name interfaces under “tap” in its settings (docs/design-file.md), or tap one yourself: tallywire tap --interface IF --alone"};
}

}  // namespace

void SiteService::hold_taps(const config::HeldTapSettings& settings) {
  round::HeldTapsListener listener;
  listener.state_changed = [this](const round::HeldTap& tap) {
    if (tap.state == "tapping")
      spdlog::info("the tap on {} meters what passes", tap.interface);
    else
      spdlog::warn("the tap on {} is {}: {}", tap.interface, tap.state, tap.note);
    parts_.feed.publish("tap_interface", {{"interface", tap.interface}, {"state", tap.state}, {"at", to_rfc3339(now_utc())}, {"note", tap.note}});
  };
  listener.interval_over = [this](const round::HeldTap& tap) { parts_.feed.publish_passing("tap", tap.summary); };
  taps_.emplace(parts_.context.get_executor(), parts_.design, settings.interfaces, std::chrono::seconds(settings.interval_s), std::move(listener));
  instruments_.set_tapped([this] { return taps_->readings(); });
}

nlohmann::json SiteService::taps_json() const {
  auto out = nlohmann::json::array();
  if (!taps_) return out;
  for (const auto* tap : taps_->taps())
    out.push_back({{"interface", tap->interface}, {"state", tap->state}, {"note", tap->note}, {"interval_s", taps_->interval().count()}});
  return out;
}

Outcome<std::string> SiteService::tap(const std::string& interface) {
  if (!taps_) return no_tap();
  const auto found = taps_->find(interface);
  if (!found) return found.error();
  const auto& tap = **found;
  if (!tap.answer.empty()) return tap.answer;
  return Fault{FaultKind::system, tap.note.empty() ? "the tap has not ended its first interval" : tap.note, tap.interface,
               "ask again in " + std::to_string(taps_->interval().count()) + " s"};
}

asio::awaitable<Outcome<nlohmann::json>> SiteService::tap_live(std::string interface) {
  if (!taps_) co_return no_tap();
  co_return co_await taps_->live(std::move(interface));
}

nlohmann::json SiteService::tapped() {
  auto out = nlohmann::json::array();
  if (!taps_) return out;
  for (const auto* tap : taps_->taps())
    if (!tap->readings.empty()) out.push_back({{"interface", tap->interface}, {"at", to_rfc3339(tap->at)}});
  return out;
}

// A convolution for each uplink: not on the network thread.
asio::awaitable<nlohmann::json> SiteService::headroom(std::vector<Reading> of_round) {
  auto tapped = taps_ ? taps_->readings() : std::vector<Reading>();
  std::function<nlohmann::json()> reckon = [&design = parts_.design, of_round = std::move(of_round), tapped = std::move(tapped)]() -> nlohmann::json {
    return verdict::headroom_of(design, of_round, tapped, verdict::Precedence::newest);
  };
  auto rows = co_await offload<nlohmann::json>(parts_.blocking, std::move(reckon));
  co_return rows;
}

}  // namespace tallywire
