#include "probes/volume/block_device.hpp"

#include <sys/stat.h>
#include <sys/sysmacros.h>

#include <filesystem>
#include <fstream>
#include <iterator>
#include <sstream>

namespace tallywire::volume {
namespace {

std::string unescaped(const std::string& word) {
  const auto octal = [&](std::size_t at) { return at < word.size() && word[at] >= '0' && word[at] <= '7'; };
  std::string out;
  for (std::size_t i = 0; i < word.size(); ++i) {
    if (word[i] == '\\' && octal(i + 1) && octal(i + 2) && octal(i + 3)) {
      out += static_cast<char>((word[i + 1] - '0') * 64 + (word[i + 2] - '0') * 8 + (word[i + 3] - '0'));
      i += 3;
    } else {
      out += word[i];
    }
  }
  return out;
}

// "36 35 98:0 /root /mount options … - ext4 source options"
std::optional<Mount> parse_line(const std::string& line) {
  std::istringstream fields(line);
  std::string id, parent, device, root, point, options, word;
  Mount out;
  char colon = 0;
  if (!(fields >> id >> parent >> device >> root >> point >> options)) return std::nullopt;
  std::istringstream numbers(device);
  if (!(numbers >> out.device.major >> colon >> out.device.minor) || colon != ':') return std::nullopt;
  while (fields >> word && word != "-") {
  }
  if (!(fields >> out.filesystem >> out.source)) return std::nullopt;
  out.root = unescaped(root);
  out.point = unescaped(point);
  out.source = unescaped(out.source);
  out.options = options;
  return out;
}

bool lies_in(std::string_view path, std::string_view folder) {
  return folder == "/" || (path.substr(0, folder.size()) == folder && (path.size() == folder.size() || path[folder.size()] == '/'));
}

}  // namespace

std::optional<Mount> parse_mount(std::string_view mountinfo, const BlockDevice& device, std::string_view path) {
  std::istringstream in{std::string(mountinfo)};
  std::string line;
  std::optional<Mount> best;
  while (std::getline(in, line)) {
    auto found = parse_line(line);
    if (!found || found->device.major != device.major || found->device.minor != device.minor) continue;
    const bool inside = lies_in(path, found->point), best_inside = best && lies_in(path, best->point);
    if (!best || (inside && (!best_inside || found->point.size() >= best->point.size()))) best = std::move(found);
  }
  return best;
}

Ground ground_under(const std::string& path, const std::string& sysfs, const std::string& procfs) {
  Ground out;
  struct stat info{};
  if (::stat(path.c_str(), &info) != 0) return out;
  const BlockDevice named{major(info.st_dev), minor(info.st_dev)};
  std::error_code code;
  const auto whole = std::filesystem::canonical(path, code);
  std::ifstream in(procfs + "/self/mountinfo");
  const std::string mounts{std::istreambuf_iterator<char>(in), {}};
  out.mount = parse_mount(mounts, named, code ? path : whole.string());
  out.folder = sysfs_folder(sysfs, named);
  if (!out.folder.empty()) {
    out.device = named;
  } else if (struct stat source{}; out.mount && ::stat(out.mount->source.c_str(), &source) == 0 && S_ISBLK(source.st_mode)) {
    // A file system that gives itself a number of its own (btrfs) names its device as the mount's source.
    out.device = BlockDevice{major(source.st_rdev), minor(source.st_rdev)};
    out.folder = sysfs_folder(sysfs, *out.device);
    if (out.folder.empty()) out.device.reset();
  }
  return out;
}

}  // namespace tallywire::volume
