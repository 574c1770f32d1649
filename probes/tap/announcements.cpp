#include "probes/tap/announcements.hpp"

namespace tallywire::tap {

std::optional<stream::MeterSettings> AnnouncedMedium::settings(int payload_type) const {
  for (const auto& [type, told] : formats)
    if (type == payload_type) return told;
  return std::nullopt;
}

void Announcements::tell(Announcement announcement) {
  const std::lock_guard lock(mutex_);
  if (by_place_.size() >= most) by_place_.clear();  // sessions this old have long been matched
  const Place place{announcement.destination.octets, announcement.port_rtp};
  by_place_[place] = std::move(announcement);
  version_.fetch_add(1, std::memory_order_release);
}

std::shared_ptr<const AnnouncedMedium> Announcements::find(const wire::Flow& flow) const {
  const std::lock_guard lock(mutex_);
  const auto at = by_place_.find({flow.destination().octets, flow.destination_port});
  if (at == by_place_.end()) return nullptr;
  const auto& source = at->second.source;
  if (source && *source != flow.source()) return nullptr;
  return at->second.medium;
}

}  // namespace tallywire::tap
