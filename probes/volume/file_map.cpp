#include "probes/volume/file_map.hpp"

#include <linux/fiemap.h>
#include <linux/fs.h>
#include <sys/ioctl.h>

#include <algorithm>
#include <climits>

namespace tallywire::volume {

FileMap FileMap::of(int fd) {
  constexpr std::uint32_t at_once = 512;
  std::vector<std::uint64_t> memory((sizeof(fiemap) + at_once * sizeof(fiemap_extent)) / sizeof(std::uint64_t) + 1);
  auto* map = reinterpret_cast<fiemap*>(memory.data());
  FileMap out;
  std::uint64_t from = 0;
  while (out.extents_.size() < most_extents) {
    std::fill(memory.begin(), memory.end(), 0);
    map->fm_start = from;
    map->fm_length = FIEMAP_MAX_OFFSET - from;
    map->fm_flags = FIEMAP_FLAG_SYNC;
    map->fm_extent_count = at_once;
    if (::ioctl(fd, FS_IOC_FIEMAP, map) != 0) return from == 0 ? block_by_block(fd) : out;
    if (map->fm_mapped_extents == 0) return out;
    const auto mapped = std::min(map->fm_mapped_extents, at_once);
    const auto* extents = reinterpret_cast<const fiemap_extent*>(map + 1);
    for (std::uint32_t i = 0; i < mapped; ++i) {
      const auto& e = extents[i];
      constexpr auto nowhere = FIEMAP_EXTENT_UNKNOWN | FIEMAP_EXTENT_DELALLOC | FIEMAP_EXTENT_ENCODED | FIEMAP_EXTENT_DATA_INLINE;
      if ((e.fe_flags & nowhere) == 0) out.extents_.push_back({e.fe_logical, e.fe_physical, e.fe_length});
      if ((e.fe_flags & FIEMAP_EXTENT_LAST) != 0 || e.fe_logical + e.fe_length <= from) return out;
      from = e.fe_logical + e.fe_length;
    }
  }
  return out;
}

FileMap FileMap::block_by_block(int fd) {
  FileMap out;
  out.fd_ = fd;
  return out;
}

std::optional<std::uint64_t> FileMap::device_bytes(std::uint64_t offset) const {
  if (fd_ >= 0) {
    int size = 0;
    if (::ioctl(fd_, FIGETBSZ, &size) != 0 || size <= 0 || offset / static_cast<unsigned>(size) > INT_MAX) return std::nullopt;
    const auto unit = static_cast<unsigned>(size);
    int block = static_cast<int>(offset / unit);
    if (::ioctl(fd_, FIBMAP, &block) != 0 || block <= 0) return std::nullopt;
    return static_cast<std::uint64_t>(static_cast<unsigned>(block)) * unit + offset % unit;
  }
  auto at = std::upper_bound(extents_.begin(), extents_.end(), offset, [](std::uint64_t value, const Extent& e) { return value < e.logical; });
  if (at == extents_.begin()) return std::nullopt;
  --at;
  if (offset - at->logical >= at->length) return std::nullopt;
  return at->physical + (offset - at->logical);
}

}  // namespace tallywire::volume
