#include "probes/volume/volume.hpp"

#include "probes/volume/block_device.hpp"
#include "probes/volume/own_files.hpp"

#include <fcntl.h>
#include <nlohmann/json.hpp>
#include <sys/statvfs.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstdlib>
#include <cstring>
#include <memory>
#include <random>

namespace tallywire::volume {
namespace {

using Clock = std::chrono::steady_clock;

// As a recorder appends: a chunk of each stream in turn. Large enough for direct I/O to run at full rate, small
// enough that a slow card's pause shows.
constexpr std::size_t chunk_octets = 1024 * 1024;
constexpr std::size_t alignment = 4096;

struct Space {
  double capacity = 0, free = 0;
};

std::optional<Space> space_of(const std::string& path) {
  struct statvfs info{};
  if (::statvfs(path.c_str(), &info) != 0) return std::nullopt;
  const double block = static_cast<double>(info.f_frsize);
  return Space{static_cast<double>(info.f_blocks) * block, static_cast<double>(info.f_bavail) * block};
}

// What cannot be compressed or shared away by the device below.
std::unique_ptr<std::uint8_t, void (*)(void*)> random_chunk() {
  std::unique_ptr<std::uint8_t, void (*)(void*)> out(
      static_cast<std::uint8_t*>(std::aligned_alloc(alignment, chunk_octets)), std::free);
  std::mt19937_64 random(std::random_device{}());
  for (std::size_t i = 0; i < chunk_octets; i += sizeof(std::uint64_t)) {
    const std::uint64_t word = random();
    std::memcpy(out.get() + i, &word, sizeof word);
  }
  return out;
}

class Writing {
 public:
  Writing(const VolumeRequest& request, OwnFiles& files, double room)
      : request_(request), files_(files), room_(room), seconds_(1, 0), begin_(Clock::now()) {}

  Outcome<void> run(const std::atomic<bool>& stop, const VolumeProgress& progress) {
    const auto chunk = random_chunk();
    std::vector<double> at(static_cast<std::size_t>(files_.count()), 0);
    for (int file = 0; !stop.load(std::memory_order_relaxed); file = (file + 1) % files_.count()) {
      const auto before = Clock::now();
      if (before - begin_ >= request_.duration) break;
      if (progress) progress(std::chrono::duration<double>(before - begin_).count(), std::chrono::duration<double>(request_.duration).count());
      // A fast volume is written over from the start of each file when the room is used up.
      auto& offset = at[static_cast<std::size_t>(file)];
      if (offset + static_cast<double>(chunk_octets) > room_ / files_.count()) offset = 0;
      const auto wrote = ::pwrite(files_.descriptor(file), chunk.get(), chunk_octets, static_cast<off_t>(offset));
      if (wrote < 0 && errno == EINTR) continue;
      if (wrote <= 0) return failed();
      if (!files_.direct() && ::fdatasync(files_.descriptor(file)) != 0) return failed();
      offset += static_cast<double>(wrote);
      count(Clock::now(), before, static_cast<double>(wrote));
    }
    end_ = Clock::now();
    return {};
  }

  void fill(VolumeReport& out) const {
    const double seconds = std::chrono::duration<double>(end_ - begin_).count();
    out.duration_s = seconds;
    out.written_bytes = written_;
    out.longest_pause_ms = std::chrono::duration<double, std::milli>(longest_).count();
    if (seconds > 0) out.sustained_write_bytes_per_s = written_ / seconds;
    // Only seconds that were written in full; the last one is cut.
    if (seconds_.size() >= 2)
      out.slowest_second_bytes_per_s = *std::min_element(seconds_.begin(), seconds_.end() - 1);
    else
      out.unread["slowest_second_bytes_per_s"] = "it ran for less than a whole second";
  }

 private:
  // A write that spans several seconds is spread over them evenly.
  void count(Clock::time_point now, Clock::time_point before, double octets) {
    longest_ = std::max(longest_, std::chrono::duration_cast<std::chrono::nanoseconds>(now - before));
    written_ += octets;
    const double from = std::chrono::duration<double>(before - begin_).count();
    const double to = std::chrono::duration<double>(now - begin_).count();
    seconds_.resize(std::max<std::size_t>(seconds_.size(), static_cast<std::size_t>(to) + 1), 0);
    for (auto second = static_cast<std::size_t>(from); second <= static_cast<std::size_t>(to); ++second) {
      const double s = static_cast<double>(second);
      const double share = to > from ? (std::min(to, s + 1) - std::max(from, s)) / (to - from) : 1;
      seconds_[second] += octets * share;
    }
  }

  Outcome<void> failed() const {
    const bool full = errno == ENOSPC || errno == EDQUOT;
    return Fault{FaultKind::system,
                 full ? std::string("the volume ran full while it was written")
                      : "the volume failed while it was written: " + std::string(std::strerror(errno)),
                 request_.path,
                 full ? "free space, then repeat" : "look whether the disk or card is still there, and in the kernel's log"};
  }

  const VolumeRequest& request_;
  OwnFiles& files_;
  double room_;
  std::vector<double> seconds_;
  Clock::time_point begin_, end_{};
  std::chrono::nanoseconds longest_{0};
  double written_ = 0;
};

}  // namespace

Outcome<VolumeReport> measure_volume(const VolumeRequest& request, const std::atomic<bool>& stop,
                                     const VolumeProgress& progress) {
  if (request.parallel_files < 1 || request.parallel_files > 256 || request.duration <= std::chrono::milliseconds(0))
    return Fault{FaultKind::bad_request, "1 to 256 files at once, for more than 0 s", request.path, ""};
  auto files = OwnFiles::make(request.path, request.parallel_files);
  if (!files) return files.error();
  const auto space = space_of(request.path);
  const double room = space ? space->free - space->capacity * request.kept_free_ratio : 0;
  if (room < static_cast<double>(chunk_octets) * request.parallel_files)
    return Fault{FaultKind::system, "the volume has no room for a measurement beside what is kept free", request.path,
                 "free space, then repeat"};
  VolumeReport out;
  out.path = request.path;
  out.capacity_bytes = space->capacity;
  out.free_bytes = space->free;
  out.filesystem = filesystem_of(request.path);
  const auto device = device_under(request.path);
  const auto before = device ? octets_written(*device) : std::nullopt;
  const auto begin = Clock::now();
  Writing writing(request, **files, room);
  if (auto done = writing.run(stop, progress); !done) return done.error();
  writing.fill(out);
  const auto after = device ? octets_written(*device) : std::nullopt;
  const double seconds = std::chrono::duration<double>(Clock::now() - begin).count();
  if (before && after)
    out.kernel_write_bytes_per_s = static_cast<double>(*after - *before) / seconds;
  else
    out.unread["kernel_write_bytes_per_s"] = "no block device of this machine lies under it";
  out.method = std::to_string(request.parallel_files) + " files in turn, 1 MiB a write, " +
               ((*files)->direct() ? "direct" : "buffered with fdatasync after each write");
  out.when = now_utc();
  return out;
}

std::optional<double> class_write_bytes_per_s(const std::string& speed_class) {
  // SD Association: Speed Class, UHS Speed Class, Video Speed Class; check-values section 15 (second-hand).
  static const std::map<std::string, double> mb_per_s = {{"C2", 2},  {"C4", 4},   {"C6", 6},   {"C10", 10},
                                                         {"U1", 10}, {"U3", 30},  {"V6", 6},   {"V10", 10},
                                                         {"V30", 30}, {"V60", 60}, {"V90", 90}};
  const auto at = mb_per_s.find(speed_class);
  if (at == mb_per_s.end()) return std::nullopt;
  return at->second * 1e6;
}

void to_json(nlohmann::json& out, const VolumeReport& r) {
  out = {{"path", r.path}, {"filesystem", r.filesystem}, {"method", r.method}, {"unread", r.unread}, {"when", to_rfc3339(r.when)}};
  const auto put = [&out](const char* key, const std::optional<double>& value) {
    out[key] = value ? nlohmann::json(*value) : nlohmann::json();
  };
  put("sustained_write_bytes_per_s", r.sustained_write_bytes_per_s);
  put("slowest_second_bytes_per_s", r.slowest_second_bytes_per_s);
  put("longest_pause_ms", r.longest_pause_ms);
  put("written_bytes", r.written_bytes);
  put("duration_s", r.duration_s);
  put("kernel_write_bytes_per_s", r.kernel_write_bytes_per_s);
  put("capacity_bytes", r.capacity_bytes);
  put("free_bytes", r.free_bytes);
}

VolumeReport report_from_json(const nlohmann::json& in) {
  VolumeReport out;
  const auto get = [&in](const char* key) {
    const auto at = in.find(key);
    return at != in.end() && at->is_number() ? std::optional(at->get<double>()) : std::nullopt;
  };
  out.path = in.value("path", "");
  out.filesystem = in.value("filesystem", "");
  out.method = in.value("method", "");
  out.unread = in.value("unread", std::map<std::string, std::string>());
  out.when = in.contains("when") ? from_rfc3339(in.at("when")) : now_utc();
  out.sustained_write_bytes_per_s = get("sustained_write_bytes_per_s");
  out.slowest_second_bytes_per_s = get("slowest_second_bytes_per_s");
  out.longest_pause_ms = get("longest_pause_ms");
  out.written_bytes = get("written_bytes");
  out.duration_s = get("duration_s");
  out.kernel_write_bytes_per_s = get("kernel_write_bytes_per_s");
  out.capacity_bytes = get("capacity_bytes");
  out.free_bytes = get("free_bytes");
  return out;
}

std::vector<Reading> to_readings(const VolumeReport& r, const std::string& subject) {
  std::vector<Reading> out;
  const auto over = std::chrono::nanoseconds(static_cast<std::int64_t>(r.duration_s.value_or(0) * 1e9));
  const auto add = [&](const char* quantity, const std::optional<double>& value) {
    const auto why = r.unread.find(quantity);
    out.push_back(value ? read_number(subject, quantity, *value, r.method, r.when, over)
                        : unread(subject, quantity, why == r.unread.end() ? "was not measured" : why->second, r.when));
  };
  add("sustained_write_bytes_per_s", r.sustained_write_bytes_per_s);
  add("slowest_second_bytes_per_s", r.slowest_second_bytes_per_s);
  add("longest_pause_ms", r.longest_pause_ms);
  add("capacity_bytes", r.capacity_bytes);
  add("free_bytes", r.free_bytes);
  return out;
}

}  // namespace tallywire::volume
