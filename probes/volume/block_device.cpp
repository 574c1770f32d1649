#include "probes/volume/block_device.hpp"

#include <sys/stat.h>
#include <sys/sysmacros.h>

#include <fstream>
#include <sstream>

namespace tallywire::volume {
namespace {

std::string stat_path(const BlockDevice& device) {
  return "/sys/dev/block/" + std::to_string(device.major) + ":" + std::to_string(device.minor) + "/stat";
}

}  // namespace

std::optional<BlockDevice> device_under(const std::string& path) {
  struct stat info{};
  if (::stat(path.c_str(), &info) != 0) return std::nullopt;
  const BlockDevice out{major(info.st_dev), minor(info.st_dev)};
  struct stat found{};
  if (::stat(stat_path(out).c_str(), &found) != 0) return std::nullopt;
  return out;
}

std::optional<std::uint64_t> octets_written(const BlockDevice& device) {
  std::ifstream in(stat_path(device));
  std::uint64_t field = 0;
  // Field 7 of Linux Documentation/block/stat: sectors written.
  for (int i = 0; i < 7; ++i)
    if (!(in >> field)) return std::nullopt;
  return field * 512;
}

std::string filesystem_of(const std::string& path) {
  struct stat info{};
  if (::stat(path.c_str(), &info) != 0) return {};
  const std::string wanted = std::to_string(major(info.st_dev)) + ":" + std::to_string(minor(info.st_dev));
  std::ifstream in("/proc/self/mountinfo");
  std::string line;
  // "36 35 98:0 /root /mount options … - ext4 source options"
  while (std::getline(in, line)) {
    std::istringstream fields(line);
    std::string id, parent, device, word;
    fields >> id >> parent >> device;
    if (device != wanted) continue;
    while (fields >> word && word != "-") {
    }
    if (fields >> word) return word;
  }
  return {};
}

}  // namespace tallywire::volume
