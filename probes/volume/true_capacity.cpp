#include "probes/volume/true_capacity.hpp"

#include "probes/volume/apart.hpp"
#include "probes/volume/block_device.hpp"
#include "probes/volume/capacity_run.hpp"

#include <nlohmann/json.hpp>
#include <sys/statvfs.h>

#include <cerrno>
#include <cstdio>
#include <cstring>

namespace tallywire::volume {
namespace {

using nlohmann::json;

constexpr double block = KeyedPattern::block_bytes;
// Between two signs of life a slow card may commit what lay in memory; after a stop nobody waits for that: the run goes on another time.
constexpr std::chrono::seconds silent_limit{300}, stop_limit{30}, open_limit{60};
constexpr std::uint64_t least_wrap_bytes = 1 << 20;  // a shorter distance is damage, not a size

std::string gigabytes(double octets) {
  char text[48];
  std::snprintf(text, sizeof text, "%.6g GB", octets / 1e9);
  return text;
}

// Where the file system's device begins on its disk.
double begin_on_disk(const Ground& ground) {
  const auto start = first_line(ground.folder + "/start");
  return start.empty() || start.find_first_not_of("0123456789") != std::string::npos || start.size() > 15 ? 0 : std::stod(start) * 512;
}

void fill_space(CapacityReport& out) {
  struct statvfs info{};
  if (::statvfs(out.path.c_str(), &info) != 0) return;
  const double unit = static_cast<double>(info.f_frsize);
  out.capacity_bytes = static_cast<double>(info.f_blocks) * unit;
  out.left_bytes = static_cast<double>(info.f_bfree) * unit;
}

void estimate(const CapacityState& s, const Ground& ground, CapacityReport& out) {
  if (s.bad_blocks() == 0) return;
  if (s.other_blocks > 0 && s.wrap_bytes >= least_wrap_bytes) {
    out.true_capacity_bytes = static_cast<double>(s.wrap_bytes);
    out.true_capacity_of = "the distance on the device between a block and the one that stands in its place";
  } else if (s.lowest_lost_bytes) {
    out.true_capacity_bytes = static_cast<double>(*s.lowest_lost_bytes) + begin_on_disk(ground);
    out.true_capacity_of = "all that lies below the lowest address on the device that lost its block";
  } else if (s.checked_blocks == s.filled_blocks) {
    out.true_capacity_bytes = out.capacity_bytes - out.bad_bytes;
    out.true_capacity_of = "the file system's size without what was bad; the file system does not tell where on the device";
  }
}

void fill_figures(const CapacityState& s, CapacityReport& out) {
  out.filled_bytes = static_cast<double>(s.filled_blocks) * block;
  out.checked_bytes = static_cast<double>(s.checked_blocks) * block;
  out.bad_bytes = static_cast<double>(s.bad_blocks()) * block;
  out.wrapped_bytes = static_cast<double>(s.other_blocks) * block;
  out.lost_bytes = static_cast<double>(s.lost_blocks) * block;
  out.damaged_bytes = static_cast<double>(s.damaged_blocks) * block;
  out.unreadable_bytes = static_cast<double>(s.unreadable_blocks) * block;
  if (s.fill_s > 0 && s.filled_blocks > 0) out.fill_write_bytes_per_s = out.filled_bytes / s.fill_s;
  if (s.check_s > 0 && s.checked_blocks > 0) out.check_read_bytes_per_s = out.checked_bytes / s.check_s;
}

Fault failed(const CapacityRun& run, const std::string& path) {
  const auto where = path + ", " + gigabytes(static_cast<double>(run.error_block()) * block) + " into the run";
  const std::string doing = run.state().filled ? "read back" : "filled";
  return {FaultKind::system, "the volume failed while it was " + doing + ": " + std::string(std::strerror(run.error())), where,
          "look whether the card is still there, and in the kernel's log; the same command goes on"};
}

json or_null(const std::optional<double>& value) { return value ? json(*value) : json(); }

Outcome<CapacityReport> find(const CapacityRequest& request, Signs& signs) {
  const auto& stop = signs.stop();
  const CapacityProgress progress = [&signs](double done_s, double total_s, const std::string& doing) { signs.tell(done_s, total_s, doing); };
  const auto ground = ground_under(request.path);
  auto folder = CapacityFolder::open(request.path);
  if (!folder) return folder.error();
  CapacityReport out;
  out.path = request.path;
  out.filesystem = ground.mount ? ground.mount->filesystem : "";
  out.device = look_at_device(ground);
  out.notes = out.device.notes;
  signs.allow(silent_limit);
  // What btrfs tells are addresses of its own, not of a device.
  CapacityRun run(request, **folder, ground.device.has_value() && out.filesystem != "btrfs");
  out.resumed_at_bytes = static_cast<double>(run.state().filled_blocks + run.state().checked_blocks) * block;
  if (!run.state().filled && run.fill(stop, progress) && run.state().filled_blocks > 0) run.begin_check();
  fill_space(out);
  if (run.state().filled_blocks == 0 && run.error() == 0 && !stop) {
    (*folder)->remove();
    return Fault{FaultKind::system, "the volume is full: nothing can be tested", request.path, "free space, then repeat"};
  }
  if (run.state().filled && run.error() == 0) run.check(stop, progress);
  const auto& state = run.state();
  fill_figures(state, out);
  if (state.first_bad) out.first_bad = run.place_of(*state.first_bad);
  estimate(state, ground, out);
  const bool complete = run.error() == 0 && state.filled && state.checked_blocks == state.filled_blocks;
  out.state = complete ? "complete" : state.filled ? "stopped while checking" : "stopped while filling";
  out.method = std::string("blocks of 4 KiB that each say which they are, under a random key; ") +
               ((*folder)->direct() ? "direct" : "buffered, past the page cache as far as the system lets");
  if (run.error() != 0) out.fault = failed(run, request.path);
  if (!complete && state.filled_blocks == 0 && (*folder)->remove()) {
    out.unread["true_capacity_bytes"] = "it was stopped before anything was written";
  } else if (!complete) {
    out.unread["true_capacity_bytes"] = "it was " + out.state + "; the same command goes on, --abandon gives the space back";
    out.notes.push_back("the run keeps its files (" + gigabytes(out.filled_bytes) + ") so that it can go on");
  } else if (!(*folder)->remove()) {
    out.notes.push_back("the run's files could not be removed (" + std::string(std::strerror(errno)) + "); remove them with --true-capacity --abandon");
  }
  out.when = now_utc();
  return out;
}

}  // namespace

Outcome<CapacityReport> find_true_capacity(const CapacityRequest& request, const std::atomic<bool>& stop, const CapacityProgress& progress) {
  if (request.path.empty()) return Fault{FaultKind::bad_request, "no directory is named", "", "give a directory on the volume"};
  if (request.most_bytes && *request.most_bytes < (1 << 20)) return Fault{FaultKind::bad_request, "less than 1 MiB proves nothing", request.path, ""};
  if (request.file_bytes < (1 << 20) || request.file_bytes % (1 << 20) != 0)
    return Fault{FaultKind::bad_request, "files are multiples of 1 MiB", request.path, ""};
  return apart<CapacityReport>(request.path, open_limit, stop_limit, stop, progress, [request](Signs& signs) { return find(request, signs); });
}

void to_json(json& out, const CapacityReport& r) {
  out = {{"path", r.path}, {"filesystem", r.filesystem}, {"method", r.method}, {"state", r.state}, {"device", r.device},
         {"capacity_bytes", r.capacity_bytes}, {"left_bytes", r.left_bytes}, {"resumed_at_bytes", r.resumed_at_bytes},
         {"filled_bytes", r.filled_bytes}, {"checked_bytes", r.checked_bytes}, {"bad_bytes", r.bad_bytes}, {"wrapped_bytes", r.wrapped_bytes},
         {"lost_bytes", r.lost_bytes}, {"damaged_bytes", r.damaged_bytes}, {"unreadable_bytes", r.unreadable_bytes},
         {"true_capacity_bytes", or_null(r.true_capacity_bytes)}, {"true_capacity_of", r.true_capacity_of},
         {"fill_write_bytes_per_s", or_null(r.fill_write_bytes_per_s)}, {"check_read_bytes_per_s", or_null(r.check_read_bytes_per_s)},
         {"first_bad", nullptr}, {"notes", r.notes}, {"unread", r.unread}, {"when", to_rfc3339(r.when)}};
  if (r.first_bad)
    out["first_bad"] = {{"file", r.first_bad->file},
                        {"file_offset_bytes", r.first_bad->file_offset_bytes},
                        {"device_bytes", or_null(r.first_bad->device_bytes)},
                        {"what", r.first_bad->what},
                        {"found_device_bytes", or_null(r.first_bad->found_device_bytes)}};
  if (r.fault)
    out["error"] = {{"kind", name_of(r.fault->kind)}, {"what", r.fault->what}, {"where", r.fault->where}, {"try_next", r.fault->try_next}};
}

}  // namespace tallywire::volume
