#include "daemon/round/rehearsal_answer.hpp"

#include "daemon/verdict/rehearsal.hpp"
#include "daemon/verdict/routes.hpp"
#include "daemon/verdict/words.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>

namespace tallywire::round {

using nlohmann::json;

namespace {

constexpr double usual_link_bps = 100e6, usual_gop_s = 2;
constexpr std::size_t most_lost_first = 10;

template <class T>
json or_null(const std::optional<T>& value) {
  return value ? json(*value) : json();
}

double ratio(double part, double whole) { return whole > 0 ? part / whole : 0; }

json step_json(const path::RehearsalPlan& plan, const path::StepReport& step) {
  const auto sent = step.sent_packets(), lost = step.lost_packets(), key_lost = step.lost_key_packets();
  std::uint64_t key_sent = 0, all_lost = 0;
  for (std::size_t i = 0; i < step.sent.streams.size(); ++i) {
    key_sent += step.sent.streams[i].key_packets;
    all_lost += step.lost_of(i);
  }
  json out = {{"scale", step.scale},
              {"whole", step.whole},
              {"sent_s", step.sent.sent_s},
              {"offered_bps", step.offered_bps()},
              {"carried_bps", step.carried_bps()},
              {"sent_packets", sent},
              {"lost_packets", lost},
              {"loss_ratio", ratio(static_cast<double>(lost), static_cast<double>(sent))},
              {"key_frame_packets_ratio", ratio(static_cast<double>(key_sent), static_cast<double>(sent))},
              {"key_frame_lost_ratio", nullptr},
              {"latest_ms", or_null(step.latest_ms())},
              {"offered_busiest_bps", path::busiest_window_bps(plan, step.scale, step.planned_s)},
              {"carried_busiest_bps", step.received.busiest_bps},
              {"far_end_dropped_packets", step.received.own_dropped_packets},
              {"foreign_packets", step.received.foreign_packets},
              {"pacing_late_p99_ms", step.sent.pacing_late_p99_ms},
              {"pacing_late_most_ms", step.sent.pacing_late_most_ms},
              {"frames_within_1_ms_ratio", step.sent.frames_within_1_ms_ratio},
              {"held_packets", step.sent.held_packets},
              {"sender_cpu_ratio", ratio(step.sent.cpu_s, step.sent.wall_s)}};
  if (all_lost > 0) out["key_frame_lost_ratio"] = std::min(1.0, ratio(static_cast<double>(key_lost), static_cast<double>(all_lost)));
  return out;
}

json streams_json(const path::RehearsalPlan& plan, const path::StepReport& step) {
  json out = json::array();
  for (std::size_t i = 0; i < plan.streams.size(); ++i) {
    const auto& stream = plan.streams[i];
    const auto& sent = step.sent.streams[i];
    const auto& came = step.received.streams[i];
    const double seconds = step.sent.sent_s;
    json one = {{"stream", stream.name},
                {"phase_ms", stream.phase_s * 1000},
                {"frame_rate_hz", stream.frame_rate_hz},
                {"gop_frames", stream.gop_frames},
                {"offered_bps", ratio(sent.wire_octets * 8, seconds)},
                {"carried_bps", ratio(came.wire_octets * 8, seconds)},
                {"sent_packets", sent.packets},
                {"lost_packets", step.lost_of(i)},
                {"key_frame_lost_packets", sent.key_packets - std::min(sent.key_packets, came.key_packets)},
                {"first_lost_s", or_null(came.first_lost_s)},
                {"latest_ms", or_null(came.latest_ms)},
                {"jitter_ms", or_null(came.jitter_ms)},
                {"metered", {{"codec", or_null(came.codec)}, {"frame_rate_hz", or_null(came.frame_rate_hz)}, {"gop_frames", or_null(came.gop_frames)},
                             {"payload_bps", or_null(came.payload_bps)}, {"wire_bps", or_null(came.wire_bps)}}}};
    out.push_back(std::move(one));
  }
  return out;
}

// The step that tells most: the lowest that lost something, else the highest that was carried.
const path::StepReport* decisive(const path::RehearsalReport& report) {
  const auto wanted = report.lost_scale ? report.lost_scale : report.carried_scale;
  const auto at = std::find_if(report.steps.rbegin(), report.steps.rend(), [&](const auto& s) { return wanted && s.scale == *wanted; });
  if (at != report.steps.rend()) return &*at;
  return report.steps.empty() ? nullptr : &report.steps.back();
}

// Headroom's figure for the same streams, at any phases: by the design's risk, and by one window in as many as a GOP begins.
json busiest_json(const path::RehearsalPlan& plan, double scale, double risk_ratio) {
  std::vector<verdict::StreamWindows> streams;
  for (const auto& s : plan.streams) streams.push_back({path::windows_of(s, scale, plan.ipv6), path::mean_wire_bps(s, scale, plan.ipv6)});
  const double windows = std::max(2.0, plan.longest_gop_s() * 1000 / wire_window_step_ms);
  return {{"headroom_busiest_bps", verdict::busiest_of(streams, risk_ratio).bps},
          {"headroom_risk_ratio", risk_ratio},
          {"headroom_once_a_gop_bps", verdict::busiest_of(streams, 1 / windows).bps},
          {"once_a_gop_risk_ratio", 1 / windows}};
}

std::string broke_off_of(const path::RehearsalReport& report) {
  if (report.broke_off) return "it broke off: " + report.broke_off->sentence();
  if (report.stopped) return "it was stopped";
  return {};
}

void judge(json& out, const path::RehearsalPlan& plan, const path::RehearsalReport& report, const RehearsalContext& context, SystemTime when) {
  verdict::RehearsedLoad load;
  load.asked_bps = path::mean_wire_bps(plan, 1);
  const auto rate = [&](const std::optional<double>& scale) { return scale ? std::optional(*scale * load.asked_bps) : std::nullopt; };
  load.carried_bps = rate(report.carried_scale);
  load.lost_bps = rate(report.lost_scale);
  if (report.harm) load.harm_bps = report.harm->scale * load.asked_bps;
  load.asked_scale = context.make_up.scale;
  load.broke_off = broke_off_of(report);
  load.when = when;
  load.method = std::to_string(plan.streams.size()) + " made-up streams, " + std::to_string(report.steps.size()) + " steps of " +
                std::to_string(context.step_gops) + " GOPs, received by the far end's meter";
  std::vector<std::size_t> uplinks;
  if (context.design) {
    const auto to = verdict::node_at(*context.design, context.host);
    if (context.from.empty() || to.empty())
      out["unread"]["uplinks"] = context.from.empty() ? "the design does not say where this machine is plugged in (entry_switch)"
                                                      : "the design has no far end and no recorder at " + context.host;
    else
      uplinks = verdict::uplinks_between(*context.design, context.from, to);
  }
  const auto verdicts = verdict::judge_rehearsal(context.design, uplinks, load);
  const auto counts = verdict::count(verdicts);
  out["verdicts"] = verdicts;
  out["counts"] = counts;
  out["exit_code"] = verdict::exit_code_of(counts);
  if (out["exit_code"] == 0 && !out["unread"].empty()) out["exit_code"] = 3;
}

}  // namespace

std::vector<path::MadeUpStream> made_up_of(const config::Design& design, const MakeUp& make_up) {
  std::vector<path::MadeUpStream> out;
  std::size_t unit = 0;
  for (const auto& camera : design.cameras) {
    if (!make_up.switch_id.empty() && camera.switch_id != make_up.switch_id) continue;
    for (const auto& head : camera.heads)
      for (const auto& stream : head.streams) {
        path::MadeUpStream one;
        one.name = verdict::stream_name(camera, head, stream);
        one.width_px = stream.width_px;
        one.height_px = stream.height_px;
        one.frame_rate_hz = stream.frame_rate_hz;
        const int usual_gop = std::max(1, static_cast<int>(std::lround(usual_gop_s * stream.frame_rate_hz)));
        one.gop_frames = stream.codec == "JPEG" ? 1 : stream.gop_frames.value_or(usual_gop);
        one.payload_bps = static_cast<double>(stream.bit_rate_bps) * make_up.scale;
        one.constant = stream.rate_mode == config::RateMode::constant;
        one.key_ratio = make_up.key_ratio;
        one.link_bps = make_up.link_bps.value_or(camera.link_speed_bps > 0 ? static_cast<double>(camera.link_speed_bps) : usual_link_bps);
        one.unit = unit;
        out.push_back(std::move(one));
      }
    ++unit;
  }
  return out;
}

json rehearsal_answer(const path::RehearsalPlan& plan, const path::RehearsalReport& report, const RehearsalContext& context, SystemTime when) {
  json out = {{"made_up", {{"streams", plan.streams.size()},
                           {"phases", plan.phases == path::RehearsalPhases::together ? "together" : "random"},
                           {"seed", plan.seed},
                           {"key_ratio", context.make_up.key_ratio},
                           {"scale", context.make_up.scale},
                           {"packet_bytes", path::rehearsal_packet_octets},
                           {"step_gops", context.step_gops},
                           {"step_s", context.step_gops * plan.longest_gop_s()},
                           {"asked_bps", path::mean_wire_bps(plan, 1)}}},
              {"steps", json::array()},
              {"streams", json::array()},
              {"lost_first", json::array()},
              {"carried_scale", or_null(report.carried_scale)},
              {"carried_bps", nullptr},
              {"loss_begins_scale", or_null(report.lost_scale)},
              {"loss_begins_bps", nullptr},
              {"live", context.live},
              {"harm", nullptr},
              {"stopped", report.stopped},
              {"took_s", report.took_s},
              {"unread", context.unread}};
  for (const auto& step : report.steps) {
    out["steps"].push_back(step_json(plan, step));
    if (report.carried_scale && step.scale == *report.carried_scale) out["carried_bps"] = step.carried_bps();
    if (report.lost_scale && step.scale == *report.lost_scale) out["loss_begins_bps"] = path::mean_wire_bps(plan, step.scale);
  }
  if (report.harm) out["harm"] = {{"scale", report.harm->scale}, {"what", report.harm->what}};
  if (!report.lost_scale) {
    std::string why = broke_off_of(report);
    if (why.empty() && report.harm) why = "it ended before anything made up was lost: " + report.harm->what;
    if (why.empty()) why = "nothing was lost up to the highest load that was asked for";
    // That all came through is an answer, and no gap in it.
    if (!broke_off_of(report).empty()) out["unread"]["loss_begins_scale"] = why;
    out["loss_begins_note"] = why;
  }
  if (const auto* step = decisive(report)) {
    out["streams"] = streams_json(plan, *step);
    const double risk = context.design ? context.design->limits.busiest_instant_risk_ratio : config::Limits().busiest_instant_risk_ratio;
    auto busiest = busiest_json(plan, step->scale, risk);
    busiest["scale"] = step->scale;
    busiest["offered_busiest_bps"] = path::busiest_window_bps(plan, step->scale, step->planned_s);
    busiest["carried_busiest_bps"] = step->received.busiest_bps;
    out["busiest"] = std::move(busiest);
    for (const auto i : step->lost_first()) {
      if (out["lost_first"].size() == most_lost_first) break;
      out["lost_first"].push_back(plan.streams[i].name);
    }
  }
  judge(out, plan, report, context, when);
  return out;
}

}  // namespace tallywire::round
