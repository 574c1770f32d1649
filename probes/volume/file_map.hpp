// Where a file's octets lie on its file system's device: by FIEMAP (Linux Documentation/filesystems/fiemap), or block by block by
// FIBMAP where there is no map, as on FAT; that one needs root.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

namespace tallywire::volume {

class FileMap {
 public:
  // Of an open file, which must stay open. At most `most_extents` pieces are read.
  static FileMap of(int fd);
  static FileMap block_by_block(int fd);
  // The device's address of the octet at `offset`; none in a hole, past the map, or when nothing is told.
  std::optional<std::uint64_t> device_bytes(std::uint64_t offset) const;

 private:
  static constexpr std::size_t most_extents = 200'000;
  struct Extent {
    std::uint64_t logical, physical, length;
  };
  int fd_ = -1;  // asked block by block when there is no map
  std::vector<Extent> extents_;
};

}  // namespace tallywire::volume
