// What a volume is made of, as far as the system tells: a network mount, an array and its state, a disk behind a USB bridge, a card
// and what it promises. Nothing is asked of the device itself. Reads sysfs under a root given as an argument, "/sys" but in tests.
#pragma once

#include "probes/volume/block_device.hpp"
#include "probes/volume/sd_status.hpp"

#include <nlohmann/json_fwd.hpp>

#include <optional>
#include <string>
#include <vector>

namespace tallywire::volume {

struct ArrayState {
  std::string level;                   // "raid5"
  int missing_disks = 0;
  std::string action;                  // "recover", "resync", "check", "repair", "reshape"; "idle"
  std::optional<double> done_ratio;    // of the action
};

// Of md/{level,degraded,sync_action,sync_completed} (Linux Documentation, admin-guide/md).
ArrayState parse_array(const std::string& level, const std::string& degraded, const std::string& sync_action, const std::string& sync_completed);

struct DeviceNature {
  std::string name;                    // "mmcblk0p1"; empty when no block device lies under it
  std::string disk;                    // "mmcblk0"
  std::string kind;                    // "network mount", "memory", "program", "array", "mapped", "loop", "card", "usb disk", "disk"; empty: not known
  std::optional<bool> rotational;
  bool read_only = false;
  std::optional<ArrayState> array;
  std::optional<SdStatus> card;
  std::string card_name, card_type;    // "SD64G", "SD"
  std::vector<std::string> made_of;    // the disks under an array or a mapped device
  std::vector<std::string> notes;      // whole sentences for a person, without a full stop
};

DeviceNature look_at_device(const Ground& ground);

void to_json(nlohmann::json& out, const DeviceNature& nature);

}  // namespace tallywire::volume
