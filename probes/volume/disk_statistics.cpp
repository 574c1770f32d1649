#include "probes/volume/disk_statistics.hpp"

#include <charconv>
#include <filesystem>
#include <fstream>

namespace tallywire::volume {

namespace fs = std::filesystem;

std::optional<DiskStatistics> parse_disk_statistics(std::string_view text) {
  std::uint64_t fields[11];
  for (auto& field : fields) {
    const auto begin = text.find_first_not_of(" \t\n");
    if (begin == std::string_view::npos) return std::nullopt;
    text.remove_prefix(begin);
    const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), field);
    if (error != std::errc()) return std::nullopt;
    text.remove_prefix(static_cast<std::size_t>(end - text.data()));
  }
  return DiskStatistics{fields[0], fields[2], fields[4], fields[6], fields[7], fields[8], fields[9]};
}

std::string sysfs_folder(const std::string& root, const BlockDevice& device) {
  std::error_code code;
  const auto found = fs::canonical(root + "/dev/block/" + std::to_string(device.major) + ":" + std::to_string(device.minor), code);
  return code ? std::string() : found.string();
}

std::string disk_folder(const std::string& folder) {
  std::error_code code;
  return fs::exists(folder + "/partition", code) ? fs::path(folder).parent_path().string() : folder;
}

std::string small_file(const std::string& file) {
  std::ifstream in(file);
  std::string out(64 * 1024, '\0');
  in.read(out.data(), static_cast<std::streamsize>(out.size()));
  out.resize(static_cast<std::size_t>(std::max<std::streamsize>(0, in.gcount())));
  return out;
}

std::string first_line(const std::string& file) {
  auto out = small_file(file);
  out.resize(std::min(out.size(), out.find('\n')));
  const auto begin = out.find_first_not_of(" \t"), end = out.find_last_not_of(" \t\r");
  return begin == std::string::npos ? std::string() : out.substr(begin, end - begin + 1);
}

std::optional<DiskStatistics> read_disk_statistics(const std::string& folder) {
  if (folder.empty()) return std::nullopt;
  return parse_disk_statistics(small_file(folder + "/stat"));
}

}  // namespace tallywire::volume
