#include "probes/tap/flow_table.hpp"

namespace tallywire::tap {

FlowTable::FlowTable() : slots_(first_size), mask_(first_size - 1) {}

FlowSlot* FlowTable::find(const wire::Flow& flow, std::size_t hash) {
  for (auto at = hash & mask_;; at = (at + 1) & mask_) {
    auto& slot = slots_[at];
    if (!slot.used) return nullptr;
    if (slot.flow == flow) return &slot;
  }
}

void FlowTable::rebuild(std::size_t size) {
  std::vector<FlowSlot> old(size);
  old.swap(slots_);
  mask_ = size - 1;
  size_ = 0;
  ++generation_;
  for (auto& slot : old) {
    if (!slot.used) continue;
    auto at = slot.flow.hash() & mask_;
    while (slots_[at].used) at = (at + 1) & mask_;
    slots_[at] = std::move(slot);
    ++size_;
  }
}

FlowSlot& FlowTable::find_or_make(const wire::Flow& flow, std::size_t hash) {
  if (auto* there = find(flow, hash)) return *there;
  if (size_ * 2 >= slots_.size()) rebuild(slots_.size() * 2);
  auto at = hash & mask_;
  while (slots_[at].used) at = (at + 1) & mask_;
  auto& slot = slots_[at];
  slot.flow = flow;
  slot.used = true;
  ++size_;
  return slot;
}

}  // namespace tallywire::tap
