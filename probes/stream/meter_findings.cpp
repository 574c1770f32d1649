// The sentences that a meter's counts point to: what happened, and the next thing to try.
#include "probes/stream/meter.hpp"

#include <cmath>
#include <cstdio>

namespace tallywire::stream {
namespace {

std::string number(double value, int digits = 2) {
  char text[48];
  std::snprintf(text, sizeof text, "%.*f", digits, value);
  std::string out = text;
  if (out.find('.') != std::string::npos) {
    out.erase(out.find_last_not_of('0') + 1);
    if (out.back() == '.') out.pop_back();
  }
  return out;
}

std::string times(std::int64_t count) { return count == 1 ? "once" : std::to_string(count) + " times"; }

std::string counted(std::uint64_t count, const char* one, const char* many) {
  return std::to_string(count) + " " + (count == 1 ? one : many);
}

std::string capitals(std::string text) {
  for (char& c : text)
    if (c >= 'a' && c <= 'z') c = static_cast<char>(c - 32);
  return text;
}

std::string size_of(int width, int height) { return std::to_string(width) + " x " + std::to_string(height); }

// A unit may round a promised rate to a whole number; 2 % hides 29.97 for 30 and nothing that matters.
bool differs(double told, double measured, double uncertainty) {
  return std::abs(told - measured) > std::max(told * 0.02, uncertainty);
}

}  // namespace

// Crystals are within 100 ppm (common practice): ten times that is no clock, but frames stamped that do not come.
bool Meter::contradicts(const ClockEstimate& clock) const {
  constexpr double most_ppm = 1000;
  return codec_ != Codec::metadata && std::abs(clock.ppm) - clock.ppm_half_width > most_ppm;
}

void Meter::find_what_broke(StreamReport& out) const {
  auto& findings = out.findings;
  if (!gaps_.empty()) {
    double gap_s = 0;
    for (const auto& gap : gaps_) gap_s += gap.duration_s;
    findings.push_back("the session broke " + times(static_cast<std::int64_t>(gaps_.size() + gaps_not_listed_)) +
                       " and was resumed: " + number(gap_s) + " s are a gap, not loss");
  }
  constexpr std::int64_t worth_telling_ns = 1'000'000'000;
  if (largest_hole_ns_ >= worth_telling_ns)
    findings.push_back(std::to_string(largest_hole_packets_) + " of " + std::to_string(sequence_.lost()) +
                       " lost packets were lost in one silence of " + number(static_cast<double>(largest_hole_ns_) / 1e9) +
                       " s: look for a link that went down and came up");
  if (source_changes_ > 0)
    findings.push_back("the source changed its SSRC " + times(source_changes_) + ": the unit's encoder started again");
  if (sequence_.restarts() > 0)
    findings.push_back("the packet numbers jumped " + times(sequence_.restarts()) +
                       ": the unit's encoder started again");
  if (frames_.time_jumps() > 0 && codec_ != Codec::metadata)
    findings.push_back("the RTP time stamps jumped " + times(frames_.time_jumps()) +
                       " while packet numbers ran on: the unit set its clock or its encoder started again");
  if (pictures_.size_changes() > 0)
    findings.push_back("the picture size changed " + times(pictures_.size_changes()) + " while it was metered");
  if (foreign_ > 0)
    findings.push_back(counted(foreign_, "packet", "packets") +
                       " of another source came to the same port: look for a second session or sender");
}

void Meter::find_what_is_odd(StreamReport& out) const {
  auto& findings = out.findings;
  if (malformed_ > 0)
    findings.push_back(counted(malformed_, "packet was", "packets were") + " no valid RTP or RTCP");
  if (bad_payloads_ > 0)
    findings.push_back(counted(bad_payloads_, "payload was", "payloads were") +
                       " not as the format's RFC lays down (6184, 7798, 2435, 3640)");
  if (interleaved_payloads_ > 0)
    findings.push_back(counted(interleaved_payloads_, "packet was", "packets were") +
                       " of the interleaved mode (RFC 6184 §5.4), which was not agreed: what they carry is not read");
  if (paci_payloads_ > 0)
    findings.push_back(counted(paci_payloads_, "packet was", "packets were") +
                       " PACI (RFC 7798 §4.4.4): what they carry is not read");
  if (reserved_payloads_ > 0)
    findings.push_back(counted(reserved_payloads_, "packet was", "packets were") +
                       " of a payload type that no standard defines: what they carry is not read");
  const std::int64_t left_out = frames_.left_out_frames();
  if (settings_.kind == "video" && left_out >= 2 && left_out * 4 < frames_.frames())
    findings.push_back("the time stamps step over " + std::to_string(left_out) +
                       " frames though no packet is missing: the unit left them out; look at its load and "
                       "exposure time");
  if (codec_ == Codec::h264 && frames_.keys() == 0 && pictures_.parameter_sets() >= 2) {
    std::string sentence = "no IDR picture came though parameter sets repeat";
    if (pictures_.recovery_points() > 0)
      sentence += " (recovery points: " + std::to_string(pictures_.recovery_points()) + ")";
    if (pictures_.intra_slices() > 0)
      sentence += " (intra slices: " + std::to_string(pictures_.intra_slices()) + ")";
    findings.push_back(sentence + ": the unit refreshes its pictures bit by bit, a GOP cannot be measured; "
                                  "turn intra refresh off if the recorder needs key frames");
  }
  const auto unaccounted = sender_.unaccounted();
  if (unaccounted) {
    const auto sent = static_cast<double>(*sender_.summary().sent_packets);
    if (std::abs(static_cast<double>(*unaccounted)) > std::max(20.0, sent * 0.01))
      findings.push_back("the unit's sender reports count " + number(sent, 0) +
                         " packets sent where its packet numbers make " +
                         number(sent - static_cast<double>(*unaccounted), 0) + ": one of the two is wrong");
  }
}

void Meter::find_contradictions(StreamReport& out, const Clock& clock) const {
  auto& findings = out.findings;
  if (settings_.kind == "video" && clock && contradicts(*clock) && out.frame_rate_hz && out.arrival_frame_rate_hz)
    findings.push_back("the time stamps make " + number(*out.frame_rate_hz, 3) + " frames/s, but " +
                       number(*out.arrival_frame_rate_hz, 3) +
                       " arrive: the unit stamps by count and leaves frames out, or its RTP clock runs " +
                       number(std::abs(clock->ppm) / 1e4, 2) + " % " + (clock->ppm > 0 ? "fast" : "slow"));
  const auto& told = settings_.told;
  if (told.profile_level_id && !pictures_.profile_level_id().empty() &&
      capitals(*told.profile_level_id) != pictures_.profile_level_id())
    findings.push_back("the session description says profile-level-id " + capitals(*told.profile_level_id) +
                       ", the stream's own parameter set " + pictures_.profile_level_id());
  const auto& seen = pictures_.seen();
  if (seen && told.width && told.height && (*told.width != seen->width || *told.height != seen->height))
    findings.push_back("the unit says " + size_of(*told.width, *told.height) + ", the stream is " +
                       size_of(seen->width, seen->height));
  const auto& promised = pictures_.told();
  if (seen && promised && (promised->width != seen->width || promised->height != seen->height))
    findings.push_back("the parameter sets of the session description say " +
                       size_of(promised->width, promised->height) +
                       ", those in the stream " + size_of(seen->width, seen->height));
  if (!out.frame_rate_hz) return;
  const double uncertainty = out.uncertainty_of("frame_rate_hz");
  if (told.frame_rate_hz && differs(*told.frame_rate_hz, *out.frame_rate_hz, uncertainty))
    findings.push_back("the unit says " + number(*told.frame_rate_hz) + " frames/s, the time stamps make " +
                       number(*out.frame_rate_hz));
  if (out.vui_frame_rate_hz && differs(*out.vui_frame_rate_hz, *out.frame_rate_hz, uncertainty))
    findings.push_back("the parameter sets say " + number(*out.vui_frame_rate_hz) + " frames/s, the time stamps make " +
                       number(*out.frame_rate_hz));
}

}  // namespace tallywire::stream
