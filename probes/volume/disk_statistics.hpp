// What the kernel counts for a block device, and how a disk is found in sysfs. The parsers are pure; whoever reads takes the root of
// sysfs as an argument, "/sys" but in tests.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace tallywire::volume {

// Linux Documentation/block/stat: the first eleven fields. Sectors are of 512 octets whatever the device's own are.
struct DiskStatistics {
  std::uint64_t reads = 0, read_sectors = 0, writes = 0, written_sectors = 0, write_ms = 0;
  std::uint64_t in_flight = 0, busy_ms = 0;
  double written_bytes() const { return static_cast<double>(written_sectors) * 512; }
  double read_bytes() const { return static_cast<double>(read_sectors) * 512; }
};

// None for what is not eleven numbers or more.
std::optional<DiskStatistics> parse_disk_statistics(std::string_view text);

struct BlockDevice {
  unsigned major = 0;
  unsigned minor = 0;
};

// Where sysfs keeps a device: ROOT/dev/block/MAJ:MIN, with its links followed; empty when it is not there.
std::string sysfs_folder(const std::string& root, const BlockDevice& device);
// The folder of the whole disk that a partition's folder lies in; the folder itself for a disk.
std::string disk_folder(const std::string& folder);
// First line of a file of at most 64 KiB, without the spaces around it; empty when it cannot be read.
std::string first_line(const std::string& file);
// The whole of a file of at most 64 KiB.
std::string small_file(const std::string& file);
std::optional<DiskStatistics> read_disk_statistics(const std::string& folder);

}  // namespace tallywire::volume
