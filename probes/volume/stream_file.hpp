// One stream's files, written as a recorder does: a chunk appended at a time, a commit now and then, a new file when one has its
// size; when the stream's share of the room is used up, its oldest file is written over. Blocking; used by one thread at a time.
#pragma once

#include "probes/fault.hpp"
#include "probes/volume/own_files.hpp"

#include <atomic>
#include <cstdint>
#include <memory>
#include <optional>

namespace tallywire::volume {

// How the room is shared out.
struct FilePlan {
  std::size_t chunk_bytes = 1 << 20;   // a multiple of 4096
  std::uint64_t file_bytes = 0;        // a file is rotated at this size; a multiple of the chunk
  unsigned files_each = 2;             // of one stream, before the oldest is written over
  unsigned streams = 1;
};

// Two files a stream at least, each of one chunk at least and 1 GiB at most; none when `room_bytes` is too little for that.
std::optional<FilePlan> plan_files(double room_bytes, unsigned streams, std::size_t chunk_bytes);

class StreamFile {
 public:
  StreamFile(std::shared_ptr<OwnFiles> files, FilePlan plan, unsigned stream) : files_(std::move(files)), plan_(plan), stream_(stream) {}

  // Each answers 0 or an errno.
  int append(const std::uint8_t* chunk);
  int commit();

  // The next chunk begins another file.
  bool full() const { return current_.fd() >= 0 && offset_ + plan_.chunk_bytes > plan_.file_bytes; }
  std::uint64_t uncommitted_bytes() const { return uncommitted_bytes_; }
  // For a reader on another thread: whole chunks in the file that is being written, and that file's number.
  struct Place {
    unsigned number = 0;
    std::uint64_t bytes = 0;
  };
  Place place() const;

 private:
  int rotate();

  std::shared_ptr<OwnFiles> files_;
  FilePlan plan_;
  unsigned stream_, slot_ = 0;
  Descriptor current_;
  std::uint64_t offset_ = 0, uncommitted_bytes_ = 0;
  std::atomic<std::uint64_t> place_{0};  // slot in the upper 16 bits, octets below
};

}  // namespace tallywire::volume
