// Reads a capture file, whatever its size, in constant memory: pcap (both byte orders, microseconds and nanoseconds) and
// pcapng (any number of sections and interfaces, each with its own link type and time resolution), plain or packed
// with gzip or Zstandard. Told apart by the octets, not by the name. One thread at a time.
#pragma once

#include "probes/fault.hpp"
#include "probes/tap/captured_frame.hpp"

#include <atomic>
#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

namespace tallywire::tap {

class CaptureFile {
 public:
  // "-": standard input. A Fault when it cannot be opened or is no capture (bad_request), with what it seems to be where
  // that is known. A pipe that is silent is waited for, here and in next(), until `stop` is set (a Fault cancelled here);
  // `stop` outlives this.
  static Outcome<std::unique_ptr<CaptureFile>> open(const std::string& path, const std::atomic<bool>* stop = nullptr);
  ~CaptureFile();
  CaptureFile(const CaptureFile&) = delete;
  CaptureFile& operator=(const CaptureFile&) = delete;

  // The next frames in the order of the file, at most `most_frames`; views that hold until the next call. Empty at the end
  // of the file, where it is damaged (then damage() tells), and once `stop` was set. Frames of a link layer that is not
  // known are handed out as `unknown`. The frame check sequence is not part of a frame, where the file tells that it was
  // captured; a frame whose time the file does not tell has the epoch's.
  static constexpr std::size_t most_frames = 64;
  std::span<const CapturedFrame> next();

  // Why the file could not be read to its end: cut off (as when the capture was killed), a length that cannot be, a
  // packed stream that is broken. With the offset in octets and how many frames stand before it.
  const std::optional<Fault>& damage() const;
  std::uint64_t frames() const;
  // What the file itself tells of frames that its capture lost (pcapng Interface Statistics Blocks).
  CaptureLoss loss() const;
  bool tells_loss() const;  // false: it says nothing of that, as a pcap never does
  // Link types in it that are not known, as numbers of the registry; each once.
  const std::vector<std::uint32_t>& unknown_links() const;
  std::string format() const;             // "pcap, nanoseconds", "pcapng, gzip": for a person
  std::uint64_t octets_read() const;      // of the file as it lies on the disk
  std::uint64_t octets_in_all() const;    // 0: not known (a pipe)

 private:
  struct State;
  explicit CaptureFile(std::unique_ptr<State> state);
  std::unique_ptr<State> state_;
};

}  // namespace tallywire::tap
