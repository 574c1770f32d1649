#include "probes/volume/volume.hpp"

#include "probes/volume/apart.hpp"
#include "probes/volume/block_device.hpp"
#include "probes/volume/capacity_folder.hpp"
#include "probes/volume/memory_limits.hpp"
#include "probes/volume/playback.hpp"
#include "probes/volume/writing.hpp"

#include <sys/statvfs.h>

#include <algorithm>
#include <cerrno>
#include <cmath>
#include <cstdio>
#include <cstring>

namespace tallywire::volume {
namespace {

using namespace std::chrono_literals;

constexpr int most_files = 1024;
constexpr auto look_every = 20ms, end_patience = 10'000ms;
// To make files, and to commit and remove them after the last write: a stick takes its time.
constexpr auto begin_patience = 10'000ms, last_patience = 60'000ms;
constexpr double silent_limit_s = 60, others_ratio = 1.02;
// Caches of disks and controllers are smaller; a flash's fast cells are not: there the knee tells.
constexpr double direct_least_bytes = 1 << 30;

struct Space {
  double capacity = 0, free = 0;
};

std::optional<Space> space_of(const std::string& path) {
  struct statvfs info{};
  if (::statvfs(path.c_str(), &info) != 0) return std::nullopt;
  const double block = static_cast<double>(info.f_frsize);
  return Space{static_cast<double>(info.f_blocks) * block, static_cast<double>(info.f_bavail) * block};
}

std::optional<Fault> check(const VolumeRequest& r) {
  const auto wrong = [&r](const char* what, const char* try_next = "") { return Fault{FaultKind::bad_request, what, r.path, try_next}; };
  if (r.parallel_files < 1 || r.parallel_files > most_files) return wrong("1 to 1024 files can be written at once");
  if (r.duration < 0ms) return wrong("the duration must not be negative");
  if (r.chunk_bytes < 4096 || r.chunk_bytes > (64 << 20) || r.chunk_bytes % 4096 != 0) return wrong("a chunk is a multiple of 4 KiB, 64 MiB at most");
  if (r.commit_every && (*r.commit_every < 10ms || *r.commit_every > 1h)) return wrong("files are committed each 0.01 to 3600 s");
  if (r.playback_files < 0 || r.playback_files > r.parallel_files) return wrong("no more files can be read back than are written");
  if ((r.paced || r.playback_files > 0) && r.stream_bytes_per_s.empty())
    return wrong("how fast do the streams arrive?", "give the rate of all of them together in Mbit/s, or a design");
  for (const double rate : r.stream_bytes_per_s)
    if (!(rate > 0) || rate > 1e12) return wrong("a stream's rate must be more than 0");
  return std::nullopt;
}

std::vector<double> rates(const VolumeRequest& r, int files) {
  std::vector<double> out;
  for (int i = 0; i < files && !r.stream_bytes_per_s.empty(); ++i)
    out.push_back(r.stream_bytes_per_s[static_cast<std::size_t>(i) % r.stream_bytes_per_s.size()]);
  return out;
}

double sum(const std::vector<double>& values) {
  double out = 0;
  for (const double v : values) out += v;
  return out;
}

LatencyFigures figures_of(const Latencies& l) {
  return {static_cast<double>(l.count()), l.percentile_ms(0.50), l.percentile_ms(0.95), l.percentile_ms(0.99), l.percentile_ms(0.999), l.longest_ms()};
}

std::string text(const char* format, double value) {
  char out[128];
  std::snprintf(out, sizeof out, format, value);
  return out;
}

// One measurement from its files to its report. On the calling thread but for what Writing and Playback do.
class Measurement {
 public:
  Measurement(const VolumeRequest& request, std::shared_ptr<OwnFiles> files, FilePlan plan)
      : request_(request), files_(std::move(files)), plan_(plan), ground_(ground_under(request.path)) {
    WritingOrder order{plan_, request_.commit_every.value_or(files_->direct() ? 0ms : 1000ms), {}};
    if (request_.paced) order.paced_bytes_per_s = rates(request_, request_.parallel_files);
    commit_every_ = order.commit_every;
    writing_ = std::make_shared<Writing>(std::move(order), files_);
    if (request_.playback_files > 0)
      playback_ = std::make_shared<Playback>(writing_, files_, plan_.chunk_bytes, rates(request_, request_.playback_files));
    least_bytes_ = files_->direct() ? direct_least_bytes
                                    : dirty_limit_bytes(small_file("/proc/meminfo"), small_file("/proc/sys/vm/dirty_bytes"),
                                                        small_file("/proc/sys/vm/dirty_ratio")).value_or(direct_least_bytes);
  }

  ~Measurement() {  // whatever ends it
    writing_->end();
    if (playback_) playback_->end();
  }

  void run(Signs& signs) {
    const auto disk = disk_folder(ground_.folder);
    const auto before = read_disk_statistics(ground_.folder), disk_before = read_disk_statistics(disk);
    writing_->start();
    if (playback_) playback_->start();
    watch(signs);
    signs.allow(last_patience);
    backlog_end_ = writing_->waiting_bytes();
    backlog_most_ = std::max(backlog_most_, backlog_end_);
    writing_->end();
    if (playback_) playback_->end();
    hangs_ = !writing_->wait_for(end_patience) || (playback_ && !playback_->wait_for(end_patience));
    if (!hangs_) writing_->commit_all();
    count_ = writing_->count();
    if (hangs_) {
      count_silence();
      note_hanging(request_.path, writing_);
      if (playback_) note_hanging(request_.path, playback_);
    }
    const auto after = read_disk_statistics(ground_.folder), disk_after = read_disk_statistics(disk);
    if (before && after) kernel_bytes_ = after->written_bytes() - before->written_bytes();
    if (disk_before && disk_after && disk != ground_.folder) disk_bytes_ = disk_after->written_bytes() - disk_before->written_bytes();
  }

  // Takes the files away; what stays is told.
  VolumeReport report() {
    VolumeReport out;
    out.path = request_.path;
    out.device = look_at_device(ground_);
    out.notes = out.device.notes;
    out.filesystem = ground_.mount ? ground_.mount->filesystem : "";
    out.when = now_utc();
    fill_rates(out);
    fill_kernel(out);
    if (request_.paced) fill_backlog(out);
    if (playback_) fill_playback(out);
    out.method = method();
    if (count_.error != 0) out.fault = failed(count_.error);
    if (count_.error == 0 && (silent_ || hangs_))
      out.fault = Fault{FaultKind::timed_out, text("the volume answered no write for %.0f s", writing_->seconds() - writing_->last_done_s()), request_.path,
                        "look whether the disk, card or server is still there, and in the kernel's log"};
    if (hangs_)
      out.notes.push_back("a write still hangs in the system; the own files go when it comes back, or at the next start");
    else if (!files_->remove())
      out.notes.push_back("the own files could not be removed (" + std::string(std::strerror(errno)) + "); they go at the next start on this volume");
    return out;
  }

 private:
  bool until_settled() const { return request_.duration == 0ms; }

  // The pause that is not over yet.
  void count_silence() {
    const double begun_s = writing_->last_done_s();
    const auto lasted = std::chrono::duration_cast<std::chrono::nanoseconds>(std::chrono::duration<double>(writing_->seconds() - begun_s));
    if (lasted <= count_.longest_pause) return;
    count_.longest_pause = lasted;
    count_.longest_pause_at_s = begun_s;
    count_.longest_pause_was_commit = false;
  }

  void watch(Signs& signs) {
    const double total_s = std::chrono::duration<double>(until_settled() ? request_.longest : request_.duration).count();
    double next_look_s = 1, next_told_s = 0;
    while (!signs.stop()) {
      const double now_s = writing_->seconds();
      if (now_s >= total_s) break;
      if (now_s >= next_told_s) {
        signs.tell(now_s, total_s);
        next_told_s = now_s + 0.1;
      }
      backlog_most_ = std::max(backlog_most_, writing_->waiting_bytes());
      silent_ = now_s - writing_->last_done_s() > silent_limit_s && !request_.paced;
      if (silent_) break;
      if (until_settled() && now_s >= next_look_s) {
        settled_ = writing_->octets() >= least_bytes_ && writing_->settled();
        if (settled_) break;
        next_look_s = now_s + 1;
      }
      const auto left = std::chrono::duration<double>(total_s - now_s);
      if (writing_->wait_for(std::min(look_every, std::chrono::ceil<std::chrono::milliseconds>(left)))) break;  // it failed
    }
  }

  void fill_rates(VolumeReport& out) const {
    out.files = request_.parallel_files;
    out.chunk_bytes = static_cast<double>(plan_.chunk_bytes);
    out.duration_s = count_.end_s;
    out.written_bytes = count_.octets;
    out.writes = figures_of(count_.writes);
    out.commits = figures_of(count_.commits);
    if (count_.longest_pause > 0ns) {
      out.longest_pause_ms = std::chrono::duration<double, std::milli>(count_.longest_pause).count();
      out.longest_pause_at_s = count_.longest_pause_at_s;
      out.longest_pause_in = count_.longest_pause_was_commit ? "commit" : "write";
    } else {
      out.unread["longest_pause_ms"] = "no write came to its end";
    }
    const auto knee = request_.paced ? std::nullopt : count_.course.knee();
    if (knee) {
      out.knee_at_bytes = knee->at_bytes;
      out.before_knee_bytes_per_s = knee->before_bytes_per_s;
      out.after_knee_bytes_per_s = knee->after_bytes_per_s;
      out.sustained_write_bytes_per_s = knee->after_bytes_per_s;
      out.sustained_of = "all that was written after the knee, pauses included";
      out.notes.push_back(text("the rate fell for good after %.4g GB", knee->at_bytes / 1e9) + text(": %.4g MB/s before", knee->before_bytes_per_s / 1e6) +
                          text(", %.4g MB/s after; a cache or fast cells were used up", knee->after_bytes_per_s / 1e6));
    } else if (count_.end_s > 0 && count_.octets > 0) {
      out.sustained_write_bytes_per_s = count_.octets / count_.end_s;
      out.sustained_of = request_.paced ? "all that was written, which is no more than what the streams bring"
                                        : "all that was written over all of the time; no knee was found";
    } else {
      out.unread["sustained_write_bytes_per_s"] = "nothing was written to its end";
    }
    out.slowest_second_bytes_per_s = count_.course.slowest_second_bytes_per_s(count_.end_s);
    if (!out.slowest_second_bytes_per_s) out.unread["slowest_second_bytes_per_s"] = "it ran for less than a whole second";
    if (until_settled() && !settled_) out.notes.push_back(text("the rate had not settled by %.0f s; measure for longer", count_.end_s));
  }

  void fill_kernel(VolumeReport& out) const {
    if (!kernel_bytes_ || !(count_.end_s > 0)) {
      out.unread["kernel_write_bytes_per_s"] = "no block device of this machine lies under it";
      return;
    }
    out.kernel_write_bytes_per_s = *kernel_bytes_ / count_.end_s;
    if (!(count_.octets > 0)) return;
    out.kernel_ratio = *kernel_bytes_ / count_.octets;
    if (*out.kernel_ratio > others_ratio)
      out.notes.push_back(text("the kernel counted %.1f %% more for this device: ", (*out.kernel_ratio - 1) * 100) +
                          "somebody else writes there too, or the file system itself");
    if (*out.kernel_ratio < 2 - others_ratio)
      out.notes.push_back(text("the kernel counted %.1f %% less for this device: ", (1 - *out.kernel_ratio) * 100) +
                          "something between packs, shares or still holds what was written");
    if (disk_bytes_ && *disk_bytes_ > *kernel_bytes_ + count_.octets * (others_ratio - 1))
      out.notes.push_back(text("other partitions of the same disk were written at %.4g MB/s meanwhile", (*disk_bytes_ - *kernel_bytes_) / count_.end_s / 1e6));
  }

  void fill_backlog(VolumeReport& out) const {
    out.arriving_bytes_per_s = sum(rates(request_, request_.parallel_files));
    out.backlog_most_bytes = backlog_most_;
    out.backlog_end_bytes = backlog_end_;
    out.latest_write_s = count_.most_late_s;
  }

  void fill_playback(VolumeReport& out) const {
    const auto read = playback_->count();
    out.playback_wanted_bytes_per_s = sum(rates(request_, request_.playback_files));
    out.playback_reads = figures_of(read.reads);
    out.playback_behind_bytes = read.behind_bytes;
    if (read.seconds > 0) out.playback_bytes_per_s = read.octets / read.seconds;
    out.playback_longest_pause_ms = read.reads.longest_ms();
    if (!out.playback_longest_pause_ms) out.unread["playback_bytes_per_s"] = "nothing could be read back in that time";
    if (read.error != 0) out.unread["playback_bytes_per_s"] = "reading back failed: " + std::string(std::strerror(read.error));
  }

  std::string method() const {
    const auto whole = [](double value) { return text("%.0f", value); };
    std::string out = whole(request_.parallel_files) + (request_.parallel_files == 1 ? " file, " : " files in turn, ") +
                      text("%.6g KiB a write", static_cast<double>(plan_.chunk_bytes) / 1024);
    out += files_->direct() ? ", direct" : ", buffered";
    out += commit_every_ > 0ms ? text(", each committed every %.3g s", std::chrono::duration<double>(commit_every_).count()) : ", committed at a file's end";
    out += ", a new file after " + text("%.4g MiB", static_cast<double>(plan_.file_bytes) / (1 << 20)) + ", at most " + whole(count_.writers) +
           (count_.writers == 1 ? " write at a time" : " writes at a time");
    out += request_.paced ? ", as fast as the streams arrive" : ", flat out";
    if (playback_) out += ", " + whole(request_.playback_files) + " files read back meanwhile";
    return out;
  }

  Fault failed(int error) const {
    const bool full = error == ENOSPC || error == EDQUOT;
    return {FaultKind::system,
            full ? std::string("the volume ran full while it was written")
                 : "the volume failed while it was written: " + std::string(std::strerror(error)),
            request_.path,
            full ? "free space, then repeat" : "look whether the disk or card is still there, and in the kernel's log"};
  }

  const VolumeRequest& request_;
  std::shared_ptr<OwnFiles> files_;
  FilePlan plan_;
  Ground ground_;
  std::shared_ptr<Writing> writing_;
  std::shared_ptr<Playback> playback_;
  std::chrono::milliseconds commit_every_{0};
  double least_bytes_ = 0, backlog_most_ = 0, backlog_end_ = 0;
  bool settled_ = false, silent_ = false, hangs_ = false;
  std::optional<double> kernel_bytes_, disk_bytes_;
  WritingCount count_;
};

}  // namespace

namespace {

Outcome<VolumeReport> measure(const VolumeRequest& request, Signs& signs) {
  CapacityFolder::remove_if_old(request.path, std::chrono::system_clock::now());
  auto files = OwnFiles::make(request.path, request.io);
  if (!files) return files.error();
  const auto space = space_of(request.path);
  const double room = space ? space->free - space->capacity * request.kept_free_ratio : 0;
  const auto plan = plan_files(room, static_cast<unsigned>(request.parallel_files), request.chunk_bytes);
  if (!plan)
    return Fault{FaultKind::system, "the volume has no room for a measurement beside what is kept free", request.path,
                 CapacityFolder::stands_in(request.path) ? "a true-capacity run holds the space: let it go on, or end it with --true-capacity --abandon"
                                                         : "free space, then repeat"};
  Measurement measurement(request, *files, *plan);
  files->reset();  // now the measurement's, and its threads'
  measurement.run(signs);
  auto report = measurement.report();
  report.capacity_bytes = space->capacity;
  report.free_bytes = space->free;
  if (report.fault && report.written_bytes.value_or(0) == 0) return *report.fault;
  return report;
}

}  // namespace

Outcome<VolumeReport> measure_volume(const VolumeRequest& request, const std::atomic<bool>& stop,
                                     const VolumeProgress& progress) {
  if (const auto wrong = check(request)) return *wrong;
  const auto pass_on = [&progress](double done_s, double total_s, const std::string&) {
    if (progress) progress(done_s, total_s);
  };
  return apart<VolumeReport>(request.path, begin_patience, last_patience, stop, pass_on, [request](Signs& signs) { return measure(request, signs); });
}

}  // namespace tallywire::volume
