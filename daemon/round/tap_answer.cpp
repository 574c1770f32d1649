#include "daemon/round/tap_answer.hpp"

#include "daemon/verdict/targets.hpp"
#include "probes/wire/url.hpp"

#include <algorithm>
#include <map>
#include <set>
#include <tuple>

namespace tallywire::round {
namespace {

struct Candidate {
  const config::Stream* stream = nullptr;
  std::string subject;
  bool taken = false;
};

std::vector<Candidate> streams_of(const config::Camera& camera) {
  std::vector<Candidate> out;
  for (const auto& head : camera.heads)
    for (const auto& stream : head.streams) out.push_back({&stream, config::subject_of(camera, head, stream), false});
  return out;
}

std::string path_of(const std::optional<std::string>& url) {
  const auto parsed = url ? wire::decode_url(*url) : std::nullopt;
  return parsed ? parsed->path : "";
}

std::string address_of(const std::string& source) {
  const auto colon = source.rfind(':');
  auto out = source.substr(0, colon);
  if (!out.empty() && out.front() == '[') out = out.substr(1, out.size() - 2);
  return out;
}

bool is_audio(const tap::TappedStream& stream) {
  const auto& codec = stream.report.codec;
  return codec && codec != "H264" && codec != "H265" && codec != "JPEG";
}

bool looks_like(const config::Stream& promised, const stream::StreamReport& seen) {
  return seen.codec == promised.codec && seen.width == promised.width_px && seen.height == promised.height_px;
}

// The streams of one unit against those that the design gives it.
void match_unit(const config::Camera& camera, const tap::TapReport& report, const std::vector<std::size_t>& seen, std::vector<TapMatch>& out) {
  auto promised = streams_of(camera);
  const auto take = [&](std::size_t i, Candidate& candidate) {
    out[i].subject = candidate.subject;
    out[i].reason.clear();
    candidate.taken = true;
  };
  for (const auto i : seen) {
    out[i].camera = camera.id;
    const auto path = path_of(report.streams[i].url);
    if (path.empty()) continue;
    for (auto& candidate : promised)
      if (!candidate.taken && candidate.stream->path == path && !is_audio(report.streams[i])) {
        take(i, candidate);
        break;
      }
  }
  // How many that are left look the same.
  const auto look_of = [&](std::size_t i) {
    const auto& s = report.streams[i].report;
    return std::tuple(s.codec.value_or(""), s.width.value_or(0), s.height.value_or(0));
  };
  std::map<std::tuple<std::string, int, int>, std::size_t> alike_seen;
  for (const auto i : seen)
    if (out[i].subject.empty() && !is_audio(report.streams[i])) ++alike_seen[look_of(i)];
  for (const auto i : seen) {
    if (!out[i].subject.empty()) continue;
    if (is_audio(report.streams[i])) {
      out[i].reason = "the design promises no such medium";
      continue;
    }
    const auto& stream = report.streams[i].report;
    std::vector<Candidate*> alike;
    for (auto& candidate : promised)
      if (!candidate.taken && looks_like(*candidate.stream, stream)) alike.push_back(&candidate);
    const auto twins = alike_seen[look_of(i)];
    const auto free = std::count_if(promised.begin(), promised.end(), [](const Candidate& c) { return !c.taken; });
    if (alike.size() == 1 && twins == 1) {
      take(i, *alike.front());
    } else if (promised.size() == 1 && seen.size() == 1) {
      take(i, promised.front());
    } else if (alike.size() > 1 || twins > 1) {
      out[i].reason = std::to_string(std::max(alike.size(), twins)) +
                      " streams of this unit look alike: without the RTSP exchange on the wire nobody can tell which is which";
    } else {
      out[i].reason = free == 0 ? "the design gives this unit no further stream" : "no stream that the design gives this unit looks like it";
    }
  }
}

}  // namespace

std::vector<wire::IpAddress> units_of(const config::Design& design) {
  std::vector<wire::IpAddress> out;
  for (const auto& camera : design.cameras)
    if (const auto address = wire::decode_ip_address(camera.address)) out.push_back(*address);
  return out;
}

std::vector<TapMatch> match_streams(const config::Design& design, const tap::TapReport& report) {
  std::vector<TapMatch> out(report.streams.size());
  for (auto& match : out) match.reason = "its source is no unit of the design";
  std::map<std::string, std::vector<std::size_t>> by_address;  // as the wire writes them
  for (std::size_t i = 0; i < report.streams.size(); ++i) by_address[address_of(report.streams[i].report.source)].push_back(i);
  for (const auto& camera : design.cameras) {
    const auto address = wire::decode_ip_address(camera.address);
    const auto seen = by_address.find(address ? address->text() : camera.address);
    if (seen != by_address.end()) match_unit(camera, report, seen->second, out);
  }
  return out;
}

std::vector<Reading> readings_of(const tap::TapReport& report, const std::vector<TapMatch>& matches) {
  std::vector<Reading> out;
  for (std::size_t i = 0; i < matches.size(); ++i) {
    if (matches[i].subject.empty()) continue;
    auto readings = stream::to_readings(report.streams[i].report, matches[i].subject);
    out.insert(out.end(), std::make_move_iterator(readings.begin()), std::make_move_iterator(readings.end()));
  }
  return out;
}

namespace {

// Every stream that the design promises, those that nobody saw too: their targets are unread.
std::vector<verdict::Verdict> verdicts_of(const config::Design& design, const tap::TapReport& report, const std::vector<TapMatch>& matches, SystemTime when) {
  auto readings = readings_of(report, matches);
  std::set<std::string> seen;
  for (const auto& match : matches) seen.insert(match.subject);
  std::vector<verdict::Target> targets;
  std::set<std::string> subjects;
  for (const auto& camera : design.cameras)
    for (const auto& candidate : streams_of(camera)) subjects.insert(candidate.subject);
  for (auto& target : verdict::targets_of(design, {})) {
    if (!subjects.contains(target.subject)) continue;
    if (!seen.contains(target.subject)) readings.push_back(unread(target.subject, target.quantity, "it was not seen at the tap", when));
    targets.push_back(std::move(target));
  }
  return verdict::judge_all(targets, readings, when);
}

}  // namespace

void write_stream(JsonText& out, const tap::TappedStream& stream, const TapMatch& match) {
  const auto known = [](const std::string& value) { return value.empty() ? std::nullopt : std::optional<std::string_view>(value); };
  out.begin_object();
  tap::write_fields(out, stream);
  out.field("camera", known(match.camera));
  out.field("subject", known(match.subject));
  out.key("unread");
  out.begin_object();
  tap::write_unread(out, stream);
  if (match.subject.empty()) out.field("subject", match.reason);
  out.end_object();
  out.end_object();
}

TapAnswer head_of(const tap::TapReport& report, const config::Design* design, SystemTime when) {
  TapAnswer out;
  out.answer = tap::head_json(report);
  out.answer["verdicts"] = nullptr;
  out.answer["counts"] = nullptr;
  out.exit_code = tap::is_whole(report) ? 0 : 3;
  if (!design) {
    out.matches.assign(report.streams.size(), {"", "", "no design was given"});
    return out;
  }
  out.matches = match_streams(*design, report);
  const auto verdicts = verdicts_of(*design, report, out.matches, when);
  const auto counts = verdict::count(verdicts);
  out.answer["verdicts"] = verdicts;
  out.answer["counts"] = counts;
  out.exit_code = verdict::exit_code_of(counts);
  if (out.exit_code == 0 && report.capture.damage) out.exit_code = 3;
  return out;
}

TapAnswer answer_of(const tap::TapReport& report, const config::Design* design, SystemTime when) {
  auto out = head_of(report, design, when);
  auto& streams = out.answer["streams"] = nlohmann::json::array();
  JsonText text;
  for (std::size_t i = 0; i < report.streams.size(); ++i) {
    text.clear();
    write_stream(text, report.streams[i], out.matches[i]);
    streams.push_back(nlohmann::json::parse(text.text()));
  }
  return out;
}

}  // namespace tallywire::round
