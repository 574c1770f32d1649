#include "daemon/verdict/one_cause.hpp"

#include <algorithm>
#include <string_view>

namespace tallywire::verdict {
namespace {

using Ids = std::vector<std::string_view>;

struct Follows {
  Ids causes;
  Ids what;  // an id, or the beginning of several, with a star
};

const std::vector<Follows>& table() {
  static const std::vector<Follows> all = {
      // The unit has no power, or not enough to stay up.
      {{"power_denied", "power_overload", "power_short_circuit", "power_fault"}, {"starts_again", "never_arrived", "stream_*", "loss_*"}},
      {{"starts_again"}, {"never_arrived", "power_class", "stream_*", "loss_*"}},
      // Somebody else is there, with settings of its own.
      {{"units_swapped"}, {"wrong_port", "other_*", "address_not_designed", "stream_*", "port_slow", "power_class"}},
      {{"other_unit_on_port"}, {"never_arrived", "stranger"}},
      {{"other_unit"}, {"other_firmware", "other_heads", "other_hardware_address", "stream_other_*", "stream_set_otherwise", "stream_gop",
                        "stream_frame_rate", "stream_bit_rate", "stream_not_as_told"}},
      {{"never_arrived"}, {"stream_*", "loss_*"}},
      // The link.
      {{"duplex_mismatch", "half_duplex", "link_below_offer"}, {"port_slow"}},
      {{"duplex_mismatch", "half_duplex", "link_dirty"}, {"loss_access", "loss_uplink", "stream_loss", "stream_jitter"}},
      {{"loss_*"}, {"stream_loss", "stream_jitter"}},
      {{"uplink_over_ceiling"}, {"uplink_busiest_instant", "uplink_key_frames_together"}},
      {{"uplink_busiest_instant"}, {"uplink_key_frames_together"}},
  };
  return all;
}

bool fits(std::string_view id, const Ids& patterns) {
  return std::any_of(patterns.begin(), patterns.end(), [id](std::string_view p) {
    return p.ends_with('*') ? id.starts_with(p.substr(0, p.size() - 1)) : id == p;
  });
}

bool is_part_of(const std::string& subject, const std::string& whole) {
  return subject == whole || (subject.size() > whole.size() && subject.starts_with(whole) && subject[whole.size()] == '/');
}

bool reaches(const Finding& cause, const Finding& other) {
  return is_part_of(other.subject, cause.subject) ||
         std::any_of(cause.concerns.begin(), cause.concerns.end(), [&](const std::string& s) { return is_part_of(other.subject, s); });
}

// An uplink's finding of loss concerns streams; a link's finding that explains it is of the uplink itself.
bool explains(const Finding& cause, const Finding& other) {
  if (&cause == &other || cause.id == other.id) return false;
  const bool by_id = std::any_of(table().begin(), table().end(), [&](const Follows& f) { return fits(cause.id, f.causes) && fits(other.id, f.what); });
  return by_id && reaches(cause, other);
}

// The evidence of a place of loss is the loss of each stream.
bool is_told_by(const Finding& cause, const Finding& other) { return cause.id.starts_with("loss_") && other.id == "stream_loss"; }

}  // namespace

std::vector<Finding> tell_once(std::vector<Finding> findings) {
  constexpr std::size_t most_followers = 20;  // told in full; the rest is counted
  std::vector<const Finding*> cause_of(findings.size(), nullptr);
  for (std::size_t i = 0; i < findings.size(); ++i)
    for (const auto& cause : findings)
      if (!cause_of[i] && explains(cause, findings[i])) cause_of[i] = &cause;
  // What follows from a follower belongs to the first cause. No finding explains one that explains it: the walk ends.
  const auto root = [&](std::size_t i) {
    const Finding* at = cause_of[i];
    for (std::size_t steps = 0; steps < findings.size(); ++steps) {
      const auto* next = cause_of[static_cast<std::size_t>(at - findings.data())];
      if (!next) break;
      at = next;
    }
    return static_cast<std::size_t>(at - findings.data());
  };
  std::vector<std::vector<std::string>> followers(findings.size());
  for (std::size_t i = 0; i < findings.size(); ++i)
    if (cause_of[i] && !is_told_by(*cause_of[i], findings[i])) followers[root(i)].push_back("so also: " + findings[i].sentence);
  std::vector<Finding> out;
  for (std::size_t i = 0; i < findings.size(); ++i) {
    if (cause_of[i]) continue;
    auto& told = followers[i];
    const auto more = told.size() > most_followers ? told.size() - most_followers : 0;
    told.resize(told.size() - more);
    if (more > 0) told.push_back("and " + std::to_string(more) + " more");
    std::move(told.begin(), told.end(), std::back_inserter(findings[i].evidence));
  }
  for (std::size_t i = 0; i < findings.size(); ++i)
    if (!cause_of[i]) out.push_back(std::move(findings[i]));
  return out;
}

}  // namespace tallywire::verdict
