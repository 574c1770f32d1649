#include "probes/volume/capacity_run.hpp"

#include <fcntl.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <new>
#include <numeric>

namespace tallywire::volume {
namespace {

using Clock = std::chrono::steady_clock;
using namespace std::chrono_literals;

constexpr std::uint64_t block = KeyedPattern::block_bytes, chunk_blocks = 256;
constexpr auto save_every = 2s;
constexpr std::uint64_t most_silent_chunks = 8;  // of 1 MiB each, one after the other: then the device is gone

}  // namespace

CapacityRun::CapacityRun(const CapacityRequest& request, CapacityFolder& folder, bool addresses_hold)
    : request_(request), folder_(folder), pattern_(folder.key()), addresses_hold_(addresses_hold), file_blocks_(request.file_bytes / block),
      chunk_(static_cast<std::uint8_t*>(std::aligned_alloc(block, chunk_blocks * block))), state_(folder.state_of_run()) {
  if (!chunk_) throw std::bad_alloc();
}

bool CapacityRun::fill(const std::atomic<bool>& stop, const CapacityProgress& progress) {
  const Timer timer{state_.fill_s};
  auto written = state_.filled_blocks;
  auto saved_at = Clock::now();
  const auto most = request_.most_bytes ? *request_.most_bytes / block : UINT64_MAX;
  const auto to_come = [&] { return std::min(room_blocks(), most > written ? most - written : 0); };
  bool full = false;
  while (!full && !stop && error_ == 0) {
    const auto count = std::min({chunk_blocks, file_blocks_ - written % file_blocks_, to_come()});
    const auto wrote = count == 0 ? 0 : write(written, count, stop);
    written += wrote;
    full = wrote == 0 && !stop && error_ == 0;
    // A file that is whole is committed: the next one takes its descriptor's place.
    if (!full && written % file_blocks_ != 0 && Clock::now() - saved_at < save_every) continue;
    timer.count();
    commit(written);
    saved_at = Clock::now();
    const double done_s = timer.seconds(), all = static_cast<double>(written + to_come());
    if (progress && written > 0) progress(done_s, done_s * all / static_cast<double>(written), "filling the free space");
  }
  timer.count();
  commit(written);
  return full;
}

void CapacityRun::begin_check() {
  file_ = Descriptor();
  state_.filled = true;
  save();
}

void CapacityRun::check(const std::atomic<bool>& stop, const CapacityProgress& progress) {
  const Timer timer{state_.check_s};
  auto saved_at = Clock::now();
  while (state_.checked_blocks < state_.filled_blocks && !stop && error_ == 0) {
    const auto from = state_.checked_blocks;
    const auto count = std::min({chunk_blocks, file_blocks_ - from % file_blocks_, state_.filled_blocks - from});
    look(from, count);
    state_.checked_blocks += count;
    if (Clock::now() - saved_at < save_every) continue;
    timer.count();
    save();
    saved_at = Clock::now();
    const double done_s = timer.seconds(), part = static_cast<double>(state_.checked_blocks) / static_cast<double>(state_.filled_blocks);
    if (progress) progress(done_s, done_s / part, "reading back what was written");
  }
  timer.count();
  save();
}

// Names of files are their numbers in the run's folder.
BadPlace CapacityRun::place_of(const FirstBad& bad) {
  BadPlace out;
  out.file = std::string(CapacityFolder::name) + "/" + std::to_string(bad.block / file_blocks_);
  out.file_offset_bytes = static_cast<double>(bad.block % file_blocks_ * block);
  out.what = bad.what;
  const auto told = [this](std::uint64_t number) {
    const auto at = address(number);
    return at ? std::optional(static_cast<double>(*at)) : std::nullopt;
  };
  out.device_bytes = told(bad.block);
  if (bad.found_block) out.found_device_bytes = told(*bad.found_block);
  return out;
}

std::uint64_t CapacityRun::room_blocks() const {
  struct statvfs info{};
  if (::statvfs(request_.path.c_str(), &info) != 0) return 0;
  return info.f_bavail * info.f_frsize / block;
}

bool CapacityRun::open(std::uint64_t number, bool writes) {
  const auto file = static_cast<unsigned>(number / file_blocks_);
  if (file_.fd() >= 0 && file_number_ == file) return true;
  file_ = folder_.open_file(file, writes);
  file_number_ = file;
  if (file_.fd() < 0) fail(errno, number);
  return file_.fd() >= 0;
}

// Blocks that were written; 0 when not one more goes in. A full volume may still take fewer than were asked for.
std::uint64_t CapacityRun::write(std::uint64_t from, std::uint64_t count, const std::atomic<bool>& stop) {
  if (!open(from, true)) {
    if (error_ == ENOSPC || error_ == EDQUOT) error_ = 0;
    return 0;
  }
  for (std::uint64_t i = 0; i < count; ++i) pattern_.fill(from + i, chunk_.get() + i * block);
  while (count > 0 && !stop) {
    const auto wrote = ::pwrite(file_.fd(), chunk_.get(), count * block, static_cast<off_t>(from % file_blocks_ * block));
    if (wrote >= static_cast<ssize_t>(block)) return static_cast<std::uint64_t>(wrote) / block;
    if (wrote < 0 && errno == EINTR) continue;
    if (wrote < 0 && errno != ENOSPC && errno != EDQUOT) {
      fail(errno, from);
      return 0;
    }
    count /= 2;
  }
  return 0;
}

// Only what is on the device counts as filled.
void CapacityRun::commit(std::uint64_t written) {
  if (error_ != 0 || written == state_.filled_blocks) return;
  if (file_.fd() >= 0 && ::fsync(file_.fd()) != 0) return fail(errno, state_.filled_blocks);
  state_.filled_blocks = written;
  save();
}

void CapacityRun::save() {
  if (const int error = folder_.save(state_); error != 0 && error_ == 0) fail(error, state_.filled ? state_.checked_blocks : state_.filled_blocks);
}

void CapacityRun::look(std::uint64_t from, std::uint64_t count) {
  if (!open(from, false)) return;
  const auto offset = static_cast<off_t>(from % file_blocks_ * block);
  if (!folder_.direct()) ::posix_fadvise(file_.fd(), offset, static_cast<off_t>(count * block), POSIX_FADV_DONTNEED);
  if (::pread(file_.fd(), chunk_.get(), count * block, offset) != static_cast<ssize_t>(count * block)) return look_block_by_block(from, count);
  silent_chunks_ = 0;
  for (std::uint64_t i = 0; i < count; ++i) judge(from + i, pattern_.look(from + i, chunk_.get() + i * block));
}

// Unless two of them do not come: each may take the device half a minute.
void CapacityRun::look_block_by_block(std::uint64_t from, std::uint64_t count) {
  std::uint64_t failed = 0;
  for (std::uint64_t i = 0; i < count; ++i) {
    const auto offset = static_cast<off_t>((from + i) % file_blocks_ * block);
    if (failed < 2 && ::pread(file_.fd(), chunk_.get(), block, offset) == static_cast<ssize_t>(block)) {
      judge(from + i, pattern_.look(from + i, chunk_.get()));
      continue;
    }
    ++failed;
    ++state_.unreadable_blocks;
    note_first(from + i, "it cannot be read", std::nullopt);
  }
  silent_chunks_ = failed == count ? silent_chunks_ + 1 : 0;
  if (silent_chunks_ >= most_silent_chunks) fail(EIO, from);
}

void CapacityRun::judge(std::uint64_t number, const BlockLook& seen) {
  if (seen.found == BlockFound::right) return;
  if (seen.found == BlockFound::other) {
    ++state_.other_blocks;
    note_first(number, name_of(seen.found), seen.number);
    const auto here = address(number), there = seen.number < state_.filled_blocks ? address(seen.number) : std::nullopt;
    if (here && there) state_.wrap_bytes = std::gcd(state_.wrap_bytes, *here > *there ? *here - *there : *there - *here);
    return;
  }
  ++(seen.found == BlockFound::damaged ? state_.damaged_blocks : state_.lost_blocks);
  note_first(number, name_of(seen.found), std::nullopt);
  if (seen.found == BlockFound::damaged) return;
  if (const auto here = address(number)) state_.lowest_lost_bytes = std::min(*here, state_.lowest_lost_bytes.value_or(UINT64_MAX));
}

void CapacityRun::note_first(std::uint64_t number, const std::string& what, std::optional<std::uint64_t> found) {
  if (!state_.first_bad) state_.first_bad = FirstBad{number, what, found};
}

std::optional<std::uint64_t> CapacityRun::address(std::uint64_t number) {
  if (!addresses_hold_) return std::nullopt;
  const auto file = static_cast<unsigned>(number / file_blocks_);
  auto at = maps_.find(file);
  if (at == maps_.end()) {
    auto opened = folder_.open_file(file, false);
    auto map = opened.fd() < 0 ? FileMap() : FileMap::of(opened.fd());
    at = maps_.emplace(file, std::pair(std::move(opened), std::move(map))).first;
  }
  return at->second.second.device_bytes(number % file_blocks_ * block);
}

void CapacityRun::fail(int error, std::uint64_t at) {
  error_ = error;
  error_block_ = at;
}

}  // namespace tallywire::volume
