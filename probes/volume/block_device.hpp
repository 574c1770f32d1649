// What lies under a path: the mount, and the block device with the kernel's own count of what was written to it. Pure parsers; whoever
// reads takes the root of sysfs and procfs.
#pragma once

#include "probes/volume/disk_statistics.hpp"

#include <optional>
#include <string>
#include <string_view>

namespace tallywire::volume {

struct Mount {
  BlockDevice device;       // of the file system; major 0: of no disk
  std::string root, point, filesystem, source, options;
};

// The mount that `device` names in /proc/self/mountinfo (proc(5)), the one nearest to `path` when there are several; none when no
// line of it fits. Escapes as \040 are taken back.
std::optional<Mount> parse_mount(std::string_view mountinfo, const BlockDevice& device, std::string_view path);

struct Ground {
  std::optional<Mount> mount;
  std::optional<BlockDevice> device;  // none for tmpfs, overlay and network file systems
  std::string folder;                 // of the device in sysfs
};

Ground ground_under(const std::string& path, const std::string& sysfs = "/sys", const std::string& procfs = "/proc");

}  // namespace tallywire::volume
