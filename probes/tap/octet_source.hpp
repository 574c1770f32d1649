// Where a capture file's octets come from: the disk, a pipe, or a packed stream that is unpacked on the way. In pieces,
// so that memory does not grow with the file. Used by capture_file.cpp only.
#pragma once

#include "probes/fault.hpp"

#include <atomic>
#include <cstdint>
#include <memory>
#include <span>
#include <string>

namespace tallywire::tap {

class OctetSource {
 public:
  virtual ~OctetSource() = default;
  // The next octets, written to the front of `into`: how many, at least 1; 0 at the end. A Fault only after everything
  // before it was given: malformed (a packed stream that is broken or cut off), system (the disk), cancelled (the stop
  // flag).
  virtual Outcome<std::size_t> read(std::span<std::uint8_t> into) = 0;
};

class FileSource final : public OctetSource {
 public:
  // "-": standard input. Waits on a pipe end when `stop` is set, within a tenth of a second. `stop` outlives this.
  static Outcome<std::unique_ptr<FileSource>> open(const std::string& path, const std::atomic<bool>* stop);
  ~FileSource() override;
  FileSource(const FileSource&) = delete;
  FileSource& operator=(const FileSource&) = delete;
  Outcome<std::size_t> read(std::span<std::uint8_t> into) override;
  std::uint64_t octets_read() const { return octets_read_; }
  std::uint64_t octets_in_all() const { return octets_in_all_; }  // 0: not known

 private:
  FileSource() = default;
  Outcome<bool> wait() const;  // false: stop
  std::string path_;
  int descriptor_ = -1;
  bool seekable_ = false;  // a plain file
  std::int64_t offset_ = 0;
  std::uint64_t octets_read_ = 0;
  std::uint64_t octets_in_all_ = 0;
  const std::atomic<bool>* stop_ = nullptr;
};

enum class Packing : std::uint8_t { none, gzip, zstandard };
// By the first octets; at least 4 of them.
Packing packing_of(std::span<const std::uint8_t> first);

// `begun`: octets that were read from `file` already. `file` outlives it.
std::unique_ptr<OctetSource> unpack(Packing packing, FileSource& file, std::span<const std::uint8_t> begun);

}  // namespace tallywire::tap
