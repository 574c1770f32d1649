#include "probes/volume/playback.hpp"

#include <fcntl.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstdlib>
#include <thread>

namespace tallywire::volume {

using namespace std::chrono_literals;

Playback::Playback(std::shared_ptr<Writing> writing, std::shared_ptr<OwnFiles> files, std::size_t chunk_bytes, std::vector<double> bytes_per_s)
    : writing_(std::move(writing)), files_(std::move(files)), chunk_bytes_(chunk_bytes) {
  const double chunk = static_cast<double>(chunk_bytes);
  for (unsigned i = 0; i < bytes_per_s.size(); ++i)
    readers_.push_back({i, 0, Descriptor(), 0, 0, StreamPace(bytes_per_s[i], chunk, chunk * (i + 1) / static_cast<double>(bytes_per_s.size()))});
}

void Playback::start() {
  std::thread([self = shared_from_this()] {
    self->work();
    const std::lock_guard lock(self->mutex_);
    self->ended_ = true;
    self->ended_cv_.notify_all();
  }).detach();  // owned by `ended_` and wait_for: a read that hangs cannot be joined
}

void Playback::work() {
  const std::unique_ptr<std::uint8_t, void (*)(void*)> chunk(static_cast<std::uint8_t*>(std::aligned_alloc(4096, chunk_bytes_)),
                                                             [](void* memory) { std::free(memory); });
  if (!chunk) return;
  while (!stop_ && writing_->octets() < static_cast<double>(chunk_bytes_ * readers_.size())) std::this_thread::sleep_for(10ms);
  const auto begin = Clock::now();
  while (!stop_) {
    const double now_s = std::chrono::duration<double>(Clock::now() - begin).count();
    double behind = 0, soonest_s = now_s + 0.02;
    Reader* next = nullptr;
    for (auto& reader : readers_) {
      behind += reader.pace.waiting_bytes(now_s, reader.chunks);
      const double due_s = reader.pace.due_s(reader.chunks);
      if (due_s < soonest_s) soonest_s = due_s, next = &reader;
    }
    {
      const std::lock_guard lock(mutex_);
      count_.behind_bytes = behind;
      count_.seconds = now_s;
    }
    if (soonest_s > now_s)
      std::this_thread::sleep_for(std::chrono::duration<double>(soonest_s - now_s));
    else if (!read_next(*next, chunk.get()))
      return;
  }
}

// At the end of what is written it begins anew with the file that is written now; there is none only at the very begin.
bool Playback::place_reader(Reader& reader) {
  const auto place = writing_->place(reader.stream);
  if (reader.file.fd() >= 0 && reader.number == place.number && reader.offset + chunk_bytes_ <= place.bytes) return true;
  if (place.bytes < chunk_bytes_) return reader.file.fd() >= 0 && reader.number != place.number;  // the file before is still whole
  if (reader.file.fd() < 0 || reader.number != place.number) {
    reader.file = Descriptor(files_->open_for_reading(place.number));
    reader.number = place.number;
  }
  reader.offset = 0;
  return reader.file.fd() >= 0;
}

bool Playback::read_next(Reader& reader, std::uint8_t* chunk) {
  if (!place_reader(reader)) {
    std::this_thread::sleep_for(5ms);
    return true;
  }
  if (!files_->direct()) ::posix_fadvise(reader.file.fd(), static_cast<off_t>(reader.offset), static_cast<off_t>(chunk_bytes_), POSIX_FADV_DONTNEED);
  const auto from = Clock::now();
  const auto came = ::pread(reader.file.fd(), chunk, chunk_bytes_, static_cast<off_t>(reader.offset));
  if (came < 0 && errno == EINTR) return true;
  const std::lock_guard lock(mutex_);
  if (came < 0) {
    count_.error = errno;
    return false;
  }
  if (came == 0) {  // the file before this one had its end here
    reader.offset = 0;
    return true;
  }
  count_.reads.add(Clock::now() - from);
  count_.octets += static_cast<double>(came);
  reader.offset += static_cast<std::uint64_t>(came);
  ++reader.chunks;
  return true;
}

bool Playback::wait_for(std::chrono::milliseconds limit) {
  std::unique_lock lock(mutex_);
  return ended_cv_.wait_for(lock, limit, [this] { return ended_; });
}

PlaybackCount Playback::count() const {
  const std::lock_guard lock(mutex_);
  return count_;
}

}  // namespace tallywire::volume
