#include "probes/volume/writing.hpp"

#include <algorithm>
#include <cstdlib>
#include <cstring>
#include <random>
#include <system_error>
#include <thread>

namespace tallywire::volume {
namespace {

using namespace std::chrono_literals;

constexpr std::size_t block = 4096;
// A volume that takes a chunk in less than this is given several at once, or what is measured is the way there. A slower
// one is given one at a time: its pauses are then its own and not those of a queue.
constexpr auto quick_chunk = 20ms;
constexpr unsigned most_writers = 4, warm_up_chunks = 16;
constexpr std::uint64_t least_window = 4 << 20, most_window = 64 << 20;

struct Freed {
  void operator()(std::uint8_t* memory) const { std::free(memory); }
};

// What cannot be compressed by the device below.
std::unique_ptr<std::uint8_t, Freed> random_chunk(std::size_t octets) {
  std::unique_ptr<std::uint8_t, Freed> out(static_cast<std::uint8_t*>(std::aligned_alloc(block, octets)));
  if (!out) throw std::bad_alloc();
  std::mt19937_64 random(std::random_device{}());
  for (std::size_t i = 0; i < octets; i += sizeof(std::uint64_t)) {
    const std::uint64_t word = random();
    std::memcpy(out.get() + i, &word, sizeof word);
  }
  return out;
}

}  // namespace

Writing::Writing(WritingOrder order, std::shared_ptr<OwnFiles> files) : order_(std::move(order)), files_(std::move(files)) {
  const double chunk = static_cast<double>(order_.plan.chunk_bytes);
  for (unsigned i = 0; i < order_.plan.streams; ++i) {
    const double rate = order_.paced_bytes_per_s.empty() ? 1 : order_.paced_bytes_per_s[i];
    streams_.push_back(std::make_unique<Stream>(files_, order_.plan, i, StreamPace(rate, chunk, chunk * i / order_.plan.streams)));
  }
}

void Writing::start() {
  begin_ = Clock::now();
  const auto share = order_.commit_every / order_.plan.streams;  // so that commits come in turn
  for (unsigned i = 0; i < streams_.size(); ++i) {
    streams_[i]->committed = begin_;
    streams_[i]->next_commit = begin_ + share * (i + 1);
    streams_[i]->window_bytes = std::max<std::uint64_t>(order_.plan.chunk_bytes, least_window);
  }
  if (order_.paced_bytes_per_s.empty()) return begin_thread(0, 1);
  const auto writers = std::min<unsigned>(most_writers, order_.plan.streams);
  count_.writers = writers;
  for (unsigned i = 0; i < writers; ++i) begin_thread(i, writers);
}

void Writing::begin_thread(unsigned first, unsigned step) {
  {
    const std::lock_guard lock(mutex_);
    ++threads_;
  }
  const auto run = [self = shared_from_this(), first, step] {
    try {
      self->work(first, step);
    } catch (const std::bad_alloc&) {
      self->fail(ENOMEM);
    }
    const std::lock_guard lock(self->mutex_);
    --self->threads_;
    self->ended_.notify_all();
  };
  try {
    std::thread(run).detach();  // owned by the count above and by wait_for: a write that hangs cannot be joined
  } catch (const std::system_error& error) {
    fail(error.code().value());
    const std::lock_guard lock(mutex_);
    --threads_;
  }
}

void Writing::work(unsigned first, unsigned step) {
  const auto chunk = random_chunk(order_.plan.chunk_bytes);
  if (!order_.paced_bytes_per_s.empty()) {
    write_paced(first, step, chunk.get());
  } else if (step > 1) {
    write_flat_out(first, step, chunk.get());
  } else {
    warm_up(chunk.get());
    const auto begun = std::max<std::uint64_t>(1, count().writes.count());
    const bool quick = (Clock::now() - begin_) / begun < quick_chunk;
    const auto writers = quick ? std::min<unsigned>(most_writers, order_.plan.streams) : 1;
    {
      const std::lock_guard lock(mutex_);
      count_.writers = writers;
    }
    for (unsigned i = 1; i < writers; ++i) begin_thread(i, writers);
    write_flat_out(0, step = writers, chunk.get());
  }
  if (files_->direct() || count().error != 0) return;
  for (unsigned i = first; i < streams_.size(); i += step)
    if (streams_[i]->file.uncommitted_bytes() > 0 && !commit(*streams_[i])) return;
}

void Writing::warm_up(std::uint8_t* chunk) {
  for (unsigned i = 0; i < warm_up_chunks && !stop_ && Clock::now() - begin_ < 500ms; ++i) {
    auto& stream = *streams_[i % streams_.size()];
    if (!append(stream, chunk)) return;
    if (!files_->direct() && !commit(stream)) return;
  }
}

void Writing::write_flat_out(unsigned first, unsigned step, std::uint8_t* chunk) {
  while (!stop_)
    for (unsigned i = first; i < streams_.size() && !stop_; i += step) {
      auto& stream = *streams_[i];
      if (commit_is_due(stream) && !commit(stream)) return;
      if (!append(stream, chunk)) return;
    }
}

void Writing::write_paced(unsigned first, unsigned step, std::uint8_t* chunk) {
  while (!stop_) {
    Stream* next = nullptr;
    double due_s = 0;
    for (unsigned i = first; i < streams_.size(); i += step) {
      auto& stream = *streams_[i];
      if (commit_is_due(stream) && !commit(stream)) return;
      const double its = stream.pace.due_s(stream.chunks);
      if (next == nullptr || its < due_s) next = &stream, due_s = its;
    }
    const double wait_s = due_s - seconds();
    if (wait_s > 0) {
      std::this_thread::sleep_for(std::chrono::duration<double>(std::min(wait_s, 0.02)));
      continue;
    }
    if (!append(*next, chunk)) return;
    const double late_s = seconds() - due_s;
    const std::lock_guard lock(mutex_);
    count_.most_late_s = std::max(count_.most_late_s, late_s);
  }
}

bool Writing::commit_is_due(const Stream& stream) const {
  if (stream.file.uncommitted_bytes() == 0) return false;
  if (stream.file.full()) return true;
  if (!files_->direct() && stream.file.uncommitted_bytes() >= stream.window_bytes) return true;
  return order_.commit_every > 0ms && Clock::now() >= stream.next_commit;
}

// Each block differs from every other, so that nothing below can keep one for many.
bool Writing::append(Stream& stream, std::uint8_t* chunk) {
  const auto stamp = stamp_.fetch_add(order_.plan.chunk_bytes / block);
  for (std::size_t i = 0; i < order_.plan.chunk_bytes / block; ++i) {
    const std::uint64_t own = stamp + i;
    std::memcpy(chunk + i * block, &own, sizeof own);
  }
  const auto from = Clock::now();
  if (const int error = stream.file.append(chunk)) return fail(error), false;
  const auto to = Clock::now();
  ++stream.chunks;
  note(from, to, false);
  if (!files_->direct()) return true;
  const double octets = static_cast<double>(order_.plan.chunk_bytes);
  const std::lock_guard lock(mutex_);
  count_.course.add(since_begin(from), since_begin(to), octets);
  octets_ = count_.octets += octets;
  count_.end_s = std::max(count_.end_s, since_begin(to));
  return true;
}

// In memory is not written: a buffered stream's octets count when they are committed, over the time since its last commit.
bool Writing::commit(Stream& stream) {
  const double octets = static_cast<double>(stream.file.uncommitted_bytes());
  const auto from = Clock::now();
  if (const int error = stream.file.commit()) return fail(error), false;
  const auto to = Clock::now();
  note(from, to, true);
  if (order_.commit_every > 0ms) {
    while (stream.next_commit <= to) stream.next_commit += order_.commit_every;
    // As much is gathered in memory as the volume takes in a fraction of the interval.
    if (to - from < order_.commit_every / 8) stream.window_bytes = std::min(most_window, stream.window_bytes * 2);
    if (to - from > order_.commit_every / 2) stream.window_bytes = std::max<std::uint64_t>(order_.plan.chunk_bytes, stream.window_bytes / 2);
  }
  if (files_->direct()) return true;
  const std::lock_guard lock(mutex_);
  count_.course.add(since_begin(stream.committed), since_begin(to), octets);
  octets_ = count_.octets += octets;
  count_.end_s = std::max(count_.end_s, since_begin(to));
  stream.committed = to;
  return true;
}

void Writing::note(Clock::time_point from, Clock::time_point to, bool is_commit) {
  const std::lock_guard lock(mutex_);
  (is_commit ? count_.commits : count_.writes).add(to - from);
  last_done_s_ = since_begin(to);
  if (to - from <= count_.longest_pause) return;
  count_.longest_pause = to - from;
  count_.longest_pause_at_s = since_begin(from);
  count_.longest_pause_was_commit = is_commit;
}

void Writing::fail(int error) {
  stop_ = true;
  const std::lock_guard lock(mutex_);
  if (count_.error == 0) count_.error = error;
}

bool Writing::wait_for(std::chrono::milliseconds limit) {
  std::unique_lock lock(mutex_);
  return ended_.wait_for(lock, limit, [this] { return threads_ == 0; });
}

void Writing::commit_all() {
  for (auto& stream : streams_)
    if (count().error == 0 && stream->file.uncommitted_bytes() > 0) commit(*stream);
}

WritingCount Writing::count() const {
  const std::lock_guard lock(mutex_);
  return count_;
}

double Writing::seconds() const { return since_begin(Clock::now()); }

bool Writing::settled() const {
  const std::lock_guard lock(mutex_);
  return count_.course.settled(since_begin(Clock::now()));
}

double Writing::waiting_bytes() const {
  if (order_.paced_bytes_per_s.empty()) return 0;
  const double now_s = seconds();
  double out = 0;
  for (const auto& stream : streams_) out += stream->pace.waiting_bytes(now_s, stream->chunks);
  return out;
}

}  // namespace tallywire::volume
