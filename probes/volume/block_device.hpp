// The block device under a path, and the kernel's own count of what was written to it.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

namespace tallywire::volume {

struct BlockDevice {
  unsigned major = 0;
  unsigned minor = 0;
};

// None for tmpfs, overlay and network file systems: nothing of this machine's disks is under them.
std::optional<BlockDevice> device_under(const std::string& path);
// Octets written since the device came up (/sys/dev/block/MAJ:MIN/stat, 512-octet sectors).
std::optional<std::uint64_t> octets_written(const BlockDevice& device);
// "ext4", "tmpfs", … of the mount that holds the path; empty when the kernel does not tell.
std::string filesystem_of(const std::string& path);

}  // namespace tallywire::volume
