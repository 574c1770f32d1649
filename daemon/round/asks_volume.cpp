// The answer of `volume`.
#include "daemon/round/ask_parts.hpp"
#include "daemon/verdict/words.hpp"
#include "probes/deadline.hpp"
#include "probes/volume/apart.hpp"
#include "probes/volume/capacity_folder.hpp"
#include "probes/volume/true_capacity.hpp"
#include "probes/volume/volume.hpp"

#include <sys/stat.h>

#include <algorithm>
#include <cerrno>
#include <cmath>
#include <set>

namespace tallywire::round {

namespace asio = boost::asio;
using nlohmann::json;

namespace {

// What a volume is held against, and where that stands written.
struct Wanted {
  std::vector<double> stream_bytes_per_s;  // of the design's streams; empty when it names no such volume
  double write_bytes_per_s = 0;            // 0: nothing is wanted
  double reserve_ratio = config::Limits().volume_reserve_ratio;
  std::string from;                        // "design", "asked"
};

// Those of the design's volumes that lie where `path` does, by whatever name. Blocking: a volume that is gone may hold a look at it, and
// it is then taken for another place.
std::set<std::string> same_places(const std::vector<std::string>& paths, const std::string& path) {
  using Place = std::pair<dev_t, ino_t>;
  constexpr auto limit = std::chrono::seconds(3);
  const auto place_of = [limit](const std::string& of) {
    const std::atomic<bool> goes_on{false};
    return volume::apart<Place>(of, limit, limit, goes_on, {}, [of](volume::Signs&) -> Outcome<Place> {
      struct stat info{};
      if (::stat(of.c_str(), &info) != 0) return volume::cannot_write(of, errno);
      return Place{info.st_dev, info.st_ino};
    });
  };
  std::set<std::string> out;
  const auto here = place_of(path);
  for (const auto& other : paths) {
    if (other == path) out.insert(other);
    if (other == path || !here) continue;
    if (const auto there = place_of(other); there && *there == *here) out.insert(other);
  }
  return out;
}

std::vector<std::string> own_paths(const config::Design* design) {
  std::vector<std::string> out;
  if (design != nullptr)
    for (const auto& recorder : design->recorders)
      for (const auto& volume : recorder.volumes)
        if (!volume.on_far_end) out.push_back(volume.path);
  return out;
}

const config::Stream* find_stream(const config::Design& design, const std::string& name) {
  for (const auto& camera : design.cameras)
    for (const auto& head : camera.heads)
      for (const auto& stream : head.streams)
        if (camera.id + "/" + head.id + "/" + stream.id == name) return &stream;
  return nullptr;
}

Wanted wanted_by(const config::Design* design, const json& arguments, const std::set<std::string>& paths) {
  Wanted out;
  if (design != nullptr) {
    out.reserve_ratio = design->limits.volume_reserve_ratio;
    for (const auto& recorder : design->recorders)
      for (const auto& volume : recorder.volumes) {
        if (volume.on_far_end || !paths.contains(volume.path)) continue;
        for (const auto& name : volume.streams)
          if (const auto* stream = find_stream(*design, name)) out.stream_bytes_per_s.push_back(static_cast<double>(stream->bit_rate_bps) / 8);
      }
    for (const double rate : out.stream_bytes_per_s) out.write_bytes_per_s += rate;
    if (out.write_bytes_per_s > 0) out.from = "design";
  }
  if (arguments.contains("target_mbps")) {
    out.write_bytes_per_s = number(arguments, "target_mbps", 0) * 1e6 / 8;
    out.stream_bytes_per_s.clear();
    out.from = "asked";
  }
  return out;
}

std::optional<Fault> fill(volume::VolumeRequest& request, const json& arguments, const Wanted& wanted) {
  const auto wrong = [](const std::string& what, const char* try_next = "") { return Fault{FaultKind::bad_request, what, "", try_next}; };
  request.duration = std::chrono::milliseconds(0);
  if (arguments.contains("seconds")) {
    const double seconds = number(arguments, "seconds", 0);
    if (auto fault = check_seconds(seconds)) return fault;
    request.duration = milliseconds_of(seconds);
  }
  const auto usual = wanted.stream_bytes_per_s.empty() ? 4.0 : static_cast<double>(wanted.stream_bytes_per_s.size());
  const double files = number(arguments, "files", std::min(usual, 1024.0)), chunk_kib = number(arguments, "chunk_kib", 1024);
  const double playback = number(arguments, "playback", 0), commit_s = number(arguments, "commit_s", 1);
  if (!(files >= 1 && files <= 1024) || files != std::floor(files)) return wrong("the number of files must be a whole number from 1 to 1024");
  if (!(chunk_kib >= 4 && chunk_kib <= 65'536) || std::fmod(chunk_kib, 4) != 0) return wrong("a chunk is a multiple of 4 KiB, from 4 to 65536");
  if (!(playback >= 0 && playback <= files) || playback != std::floor(playback))
    return wrong("the number of files that are read back must be a whole number, no more than are written");
  if (!(commit_s >= 0.01 && commit_s <= 3600)) return wrong("files are committed each 0.01 to 3600 s");
  request.parallel_files = static_cast<int>(files);
  request.chunk_bytes = static_cast<std::size_t>(chunk_kib) * 1024;
  request.playback_files = static_cast<int>(playback);
  if (arguments.contains("commit_s")) request.commit_every = milliseconds_of(commit_s);
  const auto io = word(arguments, "io", "auto");
  if (io != "auto" && io != "direct" && io != "buffered") return wrong("there is no way of writing “" + io + "”", "direct, buffered or auto");
  request.io = io == "direct" ? volume::IoMode::direct : io == "buffered" ? volume::IoMode::buffered : volume::IoMode::automatic;
  request.paced = arguments.value("paced", false);
  request.stream_bytes_per_s = wanted.stream_bytes_per_s;
  if (wanted.from == "asked") {
    if (!(wanted.write_bytes_per_s > 0 && wanted.write_bytes_per_s < 1e12)) return wrong("the wanted rate must be more than 0 Mbit/s");
    request.stream_bytes_per_s = {wanted.write_bytes_per_s / files};
  }
  return std::nullopt;
}

std::string verdict_of(double value, double least, double with_reserve) { return value < least ? "missed" : value < with_reserve ? "tight" : "met"; }

// Flat out: the sustained rate against the sum of the streams. Paced: did it keep up?
json against(const volume::VolumeReport& report, const Wanted& wanted, bool paced) {
  if (!(wanted.write_bytes_per_s > 0)) return nullptr;
  json out = {{"write_bytes_per_s", wanted.write_bytes_per_s}, {"reserve_ratio", wanted.reserve_ratio}, {"from", wanted.from}};
  const auto rate = verdict::spoken_byte_rate(wanted.write_bytes_per_s);
  if (report.fault || !report.sustained_write_bytes_per_s) {
    out["verdict"] = "unread";
    out["text"] = "at least " + rate;
  } else if (paced) {
    const double arriving = report.arriving_bytes_per_s.value_or(wanted.write_bytes_per_s);
    // A chunk that is just being written waits no longer, though a slow stream takes seconds to bring it: one a writer.
    const double limit_bytes = std::max(arriving, std::min(report.files.value_or(1), 4.0) * report.chunk_bytes.value_or(0));
    out["verdict"] = report.backlog_end_bytes.value_or(0) > limit_bytes ? "missed" : report.backlog_most_bytes.value_or(0) > limit_bytes ? "tight" : "met";
    out["text"] = "streams of " + rate + " are written as they come, with less than a second of them waiting";
  } else {
    out["verdict"] = verdict_of(*report.sustained_write_bytes_per_s, wanted.write_bytes_per_s, wanted.write_bytes_per_s * (1 + wanted.reserve_ratio));
    out["text"] = "at least " + rate + ", reserve " + figure(wanted.reserve_ratio * 100) + " %";
  }
  return out;
}

// The class that was asked for, or the design's for this camera's cards, or what the card says of itself.
struct PromisedClass {
  std::string name, from;
};

Outcome<PromisedClass> promised_class(const config::Design* design, const json& arguments) {
  PromisedClass out{word(arguments, "speed_class"), "asked"};
  const auto camera_id = word(arguments, "card");
  if (out.name.empty() && !camera_id.empty()) {
    if (design == nullptr)
      return Fault{FaultKind::bad_request, "the card of camera “" + camera_id + "” needs a design", "",
                   "give one, or name the class with “speed_class”"};
    out.from = "design";
    const auto at = std::find_if(design->cameras.begin(), design->cameras.end(), [&](const auto& c) { return c.id == camera_id; });
    if (at == design->cameras.end()) return Fault{FaultKind::bad_request, "the design knows no camera “" + camera_id + "”", "", ""};
    if (at->cards.empty()) return Fault{FaultKind::bad_request, "the design gives camera “" + camera_id + "” no card", "", ""};
    out.name = at->cards.front().speed_class;
  }
  if (!out.name.empty() && !volume::class_write_bytes_per_s(out.name))
    return Fault{FaultKind::bad_request, "there is no speed class “" + out.name + "”", "", "C2 to C10, U1, U3, V6 to V90"};
  return out;
}

json class_against(const volume::VolumeReport& report, PromisedClass promised) {
  if (promised.name.empty() && report.device.card) promised = {report.device.card->strongest(), "card"};
  const auto least = volume::class_write_bytes_per_s(promised.name);
  if (!least) return nullptr;
  const auto& rate = report.sustained_write_bytes_per_s;
  return {
      {"class", promised.name},
      {"from", promised.from},
      {"least_write_bytes_per_s", *least},
      {"verdict", report.fault || !rate ? "unread" : verdict_of(*rate, *least, *least)},
      {"text",
       "the standard measures on an empty card by commands of its own; through a file system, a reader and in several files it may come out lower"}};
}

}  // namespace

namespace {

asio::awaitable<AskAnswer> true_capacity(json arguments, asio::thread_pool& blocking, AskProgress progress, Stop& stop) {
  volume::CapacityRequest request;
  request.path = word(arguments, "path");
  for (const auto& [key, value] : arguments.items())
    if (key != "path" && key != "true_capacity" && key != "abandon" && key != "yes" && key != "most_bytes")
      co_return failed({FaultKind::bad_request, "“" + key + "” is for measuring the rate, not for the true capacity", "", "leave one of them out"});
  if (!arguments.value("true_capacity", false)) co_return failed({FaultKind::bad_request, "“abandon” is of “true_capacity”", "", "give both"});
  if (arguments.value("abandon", false)) {
    std::function<Outcome<bool>()> remove = [request] { return volume::CapacityFolder::abandon(request.path); };
    auto removed = co_await offload<Outcome<bool>>(blocking, std::move(remove));
    if (!removed) co_return failed(removed.error());
    json answer = {{"path", request.path}, {"abandoned", *removed}};
    co_return read(std::move(answer));
  }
  if (!arguments.value("yes", false))
    co_return failed({FaultKind::bad_request, "finding the true capacity fills all the free space: a recorder that writes there would stop", request.path,
                      "when nobody records there, say so with “yes”"});
  if (arguments.contains("most_bytes")) {
    const double most = number(arguments, "most_bytes", 0);
    if (!(most >= 1 << 20 && most < 1e18)) co_return failed({FaultKind::bad_request, "“most_bytes” must be 1048576 at least", "", ""});
    request.most_bytes = static_cast<std::uint64_t>(most);
  }
  auto executor = co_await asio::this_coro::executor;
  volume::CapacityProgress on_time = [progress, executor](double done, double total, const std::string& doing) {
    if (!progress) return;
    asio::post(executor, [progress, done, total, doing] { progress(done, total, doing); });
  };
  std::function<Outcome<volume::CapacityReport>()> find = [request, &stop, on_time] { return volume::find_true_capacity(request, stop.flag(), on_time); };
  auto report = co_await offload<Outcome<volume::CapacityReport>>(blocking, std::move(find));
  if (!report) co_return failed(report.error());
  json answer = *report;
  AskAnswer out = read(std::move(answer));
  out.exit_code = report->bad_bytes > 0 ? 1 : report->fault ? 3 : out.exit_code;
  co_return out;
}

}  // namespace

asio::awaitable<AskAnswer> Asks::volume(json arguments, AskProgress progress, Stop& stop) {
  if (arguments.contains("true_capacity") || arguments.contains("abandon")) {
    auto answer = co_await true_capacity(std::move(arguments), blocking_, std::move(progress), stop);
    co_return answer;
  }
  if (arguments.contains("yes") || arguments.contains("most_bytes"))
    co_return failed({FaultKind::bad_request, "“yes” and “most_bytes” are of “true_capacity”", "", "leave them out"});
  volume::VolumeRequest request;
  request.path = word(arguments, "path");
  std::function<std::set<std::string>()> look = [paths = own_paths(design_), path = request.path] { return same_places(paths, path); };
  const auto places = co_await offload<std::set<std::string>>(blocking_, std::move(look));
  const auto wanted = wanted_by(design_, arguments, places);
  if (const auto wrong = fill(request, arguments, wanted)) co_return failed(*wrong);
  if (design_ != nullptr) request.kept_free_ratio = design_->limits.volume_kept_free_ratio;
  const auto promised = promised_class(design_, arguments);
  if (!promised) co_return failed(promised.error());
  auto executor = co_await asio::this_coro::executor;
  // The measurement runs on the pool; its progress is told on the network thread.
  const std::string doing = request.duration.count() == 0 ? "writing to the volume until the rate has settled" : "writing to the volume";
  volume::VolumeProgress on_time = [progress, executor, doing](double done, double total) {
    if (!progress) return;
    asio::post(executor, [progress, done, total, doing] { progress(done, total, doing); });
  };
  std::function<Outcome<volume::VolumeReport>()> measure = [request, &stop, on_time] {
    return volume::measure_volume(request, stop.flag(), on_time);
  };
  auto report = co_await offload<Outcome<volume::VolumeReport>>(blocking_, std::move(measure));
  if (!report) co_return failed(report.error());
  json answer = *report;
  answer["stopped"] = stop.requested();
  if (stop.requested()) answer["notes"].push_back("it was ended before its time: the rate may not have settled yet");
  answer["target"] = against(*report, wanted, request.paced);
  answer["speed_class"] = class_against(*report, *promised);
  AskAnswer out = read(std::move(answer));
  const auto missed = [&](const char* key) { return out.answer.at(key).is_object() && out.answer.at(key).at("verdict") == "missed"; };
  out.exit_code = report->fault ? 3 : missed("target") || missed("speed_class") ? 1 : out.exit_code;
  co_return out;
}

}  // namespace tallywire::round
