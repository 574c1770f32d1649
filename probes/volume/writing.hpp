// The writing itself: streams in turn, by a thread or some, flat out or as fast as the streams arrive. The writing owns its threads,
// its files and what it counted, and outlives whoever began it for as long as a write hangs in the kernel, where nobody can
// end it. Any thread.
#pragma once

#include "probes/volume/latencies.hpp"
#include "probes/volume/own_files.hpp"
#include "probes/volume/rate_course.hpp"
#include "probes/volume/stream_file.hpp"
#include "probes/volume/stream_pace.hpp"

#include <atomic>
#include <chrono>
#include <condition_variable>
#include <memory>
#include <mutex>
#include <optional>
#include <vector>

namespace tallywire::volume {

struct WritingOrder {
  FilePlan plan;
  std::chrono::milliseconds commit_every{0};  // of each stream; 0: only at the end
  std::vector<double> paced_bytes_per_s;      // of each stream; empty: flat out
};

// What was counted until now. Times are seconds since the begin.
struct WritingCount {
  double octets = 0, end_s = 0;
  Latencies writes, commits;
  RateCourse course;
  std::chrono::nanoseconds longest_pause{0};
  double longest_pause_at_s = 0;
  bool longest_pause_was_commit = false;
  double most_late_s = 0;      // paced: how long the latest chunk waited until it was written
  unsigned writers = 1;
  int error = 0;               // errno that ended it
};

class Writing : public std::enable_shared_from_this<Writing> {
 public:
  Writing(WritingOrder order, std::shared_ptr<OwnFiles> files);

  void start();
  // The writes under way come to their end, those of a buffered writing are committed.
  void end() { stop_ = true; }
  // True when no thread of it is left.
  bool wait_for(std::chrono::milliseconds limit);
  // Commits everything. Only when no thread is left.
  void commit_all();

  WritingCount count() const;
  double seconds() const;        // since the begin
  double octets() const { return octets_; }
  double last_done_s() const { return last_done_s_; }
  // The rate has settled (RateCourse::settled).
  bool settled() const;
  // Paced: what has arrived by now and is not written.
  double waiting_bytes() const;
  // Where stream `stream` is being written.
  StreamFile::Place place(unsigned stream) const { return streams_[stream]->file.place(); }

 private:
  using Clock = std::chrono::steady_clock;
  struct Stream {
    Stream(std::shared_ptr<OwnFiles> files, const FilePlan& plan, unsigned number, StreamPace p) : file(std::move(files), plan, number), pace(p) {}
    StreamFile file;
    StreamPace pace;
    std::atomic<std::uint64_t> chunks{0};
    Clock::time_point committed{}, next_commit{};
    std::uint64_t window_bytes = 0;  // most that waits for a commit
  };

  void begin_thread(unsigned first, unsigned step);
  void work(unsigned first, unsigned step);
  void write_flat_out(unsigned first, unsigned step, std::uint8_t* chunk);
  void write_paced(unsigned first, unsigned step, std::uint8_t* chunk);
  void warm_up(std::uint8_t* chunk);
  bool commit_is_due(const Stream& stream) const;
  bool append(Stream& stream, std::uint8_t* chunk);
  bool commit(Stream& stream);
  void note(Clock::time_point from, Clock::time_point to, bool is_commit);
  void fail(int error);
  double since_begin(Clock::time_point when) const { return std::chrono::duration<double>(when - begin_).count(); }

  WritingOrder order_;
  std::shared_ptr<OwnFiles> files_;
  std::vector<std::unique_ptr<Stream>> streams_;
  Clock::time_point begin_{};
  std::atomic<bool> stop_{false};
  std::atomic<double> octets_{0}, last_done_s_{0};
  std::atomic<std::uint64_t> stamp_{0};
  mutable std::mutex mutex_;  // for what follows
  std::condition_variable ended_;
  unsigned threads_ = 0;
  WritingCount count_;
};

}  // namespace tallywire::volume
