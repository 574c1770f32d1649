// All that a capture file gives, copied out of its views.
#pragma once

#include "probes/tap/capture_file.hpp"
#include "tests/tap/capture_bytes.hpp"

namespace tallywire::test {

struct Caught {
  Bytes octets;
  std::uint32_t original_octets = 0;
  std::int64_t when_ns = 0;
  wire::LinkLayer link{};
  bool operator==(const Caught&) const = default;
};

struct CaptureRead {
  std::vector<Caught> frames;
  std::optional<Fault> refused;  // by open()
  std::optional<Fault> damage;
  tap::CaptureLoss loss;
  std::vector<std::uint32_t> unknown_links;
  std::string format;
};

inline CaptureRead read_capture(const std::string& path, const std::atomic<bool>* stop = nullptr) {
  CaptureRead out;
  const auto file = tap::CaptureFile::open(path, stop);
  if (!file) {
    out.refused = file.error();
    return out;
  }
  for (auto batch = (*file)->next(); !batch.empty(); batch = (*file)->next()) {
    for (const auto& frame : batch) {
      out.frames.push_back({Bytes(frame.octets.begin(), frame.octets.end()), frame.original_octets,
                            frame.when.time_since_epoch().count(), frame.link});
    }
  }
  out.damage = (*file)->damage();
  out.loss = (*file)->loss();
  out.unknown_links = (*file)->unknown_links();
  out.format = (*file)->format();
  return out;
}

inline CaptureRead read_capture(const Bytes& octets) { return read_capture(FileOf(octets).path); }

}  // namespace tallywire::test
