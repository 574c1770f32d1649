// Reads some of the files back while they are written, each at its stream's rate, as somebody who looks at recordings. Owns its thread;
// outlives whoever began it for as long as a read hangs.
#pragma once

#include "probes/volume/latencies.hpp"
#include "probes/volume/writing.hpp"

#include <atomic>
#include <condition_variable>
#include <memory>
#include <mutex>
#include <vector>

namespace tallywire::volume {

struct PlaybackCount {
  double octets = 0;
  double behind_bytes = 0;   // what should have been read by now and was not
  double seconds = 0;        // since the first chunk was there to be read
  Latencies reads;
  int error = 0;             // errno that ended it
};

class Playback : public std::enable_shared_from_this<Playback> {
 public:
  // `bytes_per_s`: of each file that is read, from the first on.
  Playback(std::shared_ptr<Writing> writing, std::shared_ptr<OwnFiles> files, std::size_t chunk_bytes, std::vector<double> bytes_per_s);
  void start();
  void end() { stop_ = true; }
  bool wait_for(std::chrono::milliseconds limit);
  PlaybackCount count() const;

 private:
  using Clock = std::chrono::steady_clock;
  struct Reader {
    unsigned stream = 0, number = 0;
    Descriptor file;
    std::uint64_t offset = 0, chunks = 0;
    StreamPace pace;
  };
  void work();
  bool read_next(Reader& reader, std::uint8_t* chunk);
  bool place_reader(Reader& reader);

  std::shared_ptr<Writing> writing_;
  std::shared_ptr<OwnFiles> files_;
  std::size_t chunk_bytes_;
  std::vector<Reader> readers_;
  std::atomic<bool> stop_{false};
  mutable std::mutex mutex_;  // for what follows
  std::condition_variable ended_cv_;
  bool ended_ = false;
  PlaybackCount count_;
};

}  // namespace tallywire::volume
