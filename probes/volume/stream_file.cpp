#include "probes/volume/stream_file.hpp"

#include <fcntl.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>

namespace tallywire::volume {
namespace {

constexpr std::uint64_t largest_file = 1ULL << 30;  // recorders begin a new file by size or time; and FAT32 ends at 4 GiB
constexpr unsigned most_files_each = 64;
constexpr int place_bits = 48;

}  // namespace

std::optional<FilePlan> plan_files(double room_bytes, unsigned streams, std::size_t chunk_bytes) {
  const double chunks = room_bytes / streams / static_cast<double>(chunk_bytes);
  if (!(chunks >= 2)) return std::nullopt;
  const auto share = static_cast<std::uint64_t>(std::min(chunks, 1e9)) * chunk_bytes;
  FilePlan out;
  out.chunk_bytes = chunk_bytes;
  out.streams = streams;
  out.file_bytes = std::min(share / 2, largest_file) / chunk_bytes * chunk_bytes;
  out.files_each = static_cast<unsigned>(std::clamp<std::uint64_t>(share / out.file_bytes, 2, most_files_each));
  return out;
}

int StreamFile::append(const std::uint8_t* chunk) {
  if (current_.fd() < 0 || full())
    if (const int error = rotate()) return error;
  std::size_t done = 0;
  while (done < plan_.chunk_bytes) {
    const auto wrote = ::pwrite(current_.fd(), chunk + done, plan_.chunk_bytes - done, static_cast<off_t>(offset_ + done));
    if (wrote < 0 && errno == EINTR) continue;
    if (wrote < 0) return errno;
    if (wrote == 0 || (files_->direct() && wrote % 4096 != 0)) return ENOSPC;  // cut short: the next octet would say so
    done += static_cast<std::size_t>(wrote);
  }
  offset_ += plan_.chunk_bytes;
  uncommitted_bytes_ += plan_.chunk_bytes;
  place_ = (static_cast<std::uint64_t>(slot_) << place_bits) | offset_;
  return 0;
}

int StreamFile::commit() {
  if (current_.fd() < 0) return 0;
  if (::fdatasync(current_.fd()) != 0) return errno;
  // What is on the device is not kept in memory: the machine's other work needs it more.
  if (!files_->direct()) ::posix_fadvise(current_.fd(), 0, 0, POSIX_FADV_DONTNEED);
  uncommitted_bytes_ = 0;
  return 0;
}

int StreamFile::rotate() {
  if (current_.fd() >= 0) {
    if (uncommitted_bytes_ > 0)
      if (const int error = commit()) return error;
    slot_ = (slot_ + 1) % plan_.files_each;
  }
  current_ = Descriptor(files_->open_for_writing(stream_ + plan_.streams * slot_));
  if (current_.fd() < 0) return errno;
  offset_ = 0;
  place_ = static_cast<std::uint64_t>(slot_) << place_bits;
  return 0;
}

StreamFile::Place StreamFile::place() const {
  const auto now = place_.load();
  return {stream_ + plan_.streams * static_cast<unsigned>(now >> place_bits), now & ((1ULL << place_bits) - 1)};
}

}  // namespace tallywire::volume
