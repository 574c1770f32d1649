#include "probes/camera/resolution.hpp"

#include "probes/wire/url.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <limits>
#include <utility>

namespace tallywire::camera {
namespace {

const char* const give_a_path = "set the encoder in the unit, or give the stream a path in the design";

std::string size_of(const std::optional<int>& width, const std::optional<int>& height) {
  return (width ? std::to_string(*width) : "?") + "x" + (height ? std::to_string(*height) : "?");
}

std::string described(const OfferedStream& stream) {
  const auto& e = stream.profile.encoder;
  std::string out = "“" + (stream.profile.name.empty() ? stream.profile.token : stream.profile.name) + "” " +
                    (e.codec.empty() ? "?" : e.codec) + " " + size_of(e.width_px, e.height_px);
  char text[64];
  if (e.frame_rate_hz) std::snprintf(text, sizeof text, ", %.4g frames/s", *e.frame_rate_hz), out += text;
  if (e.bit_rate_bps) std::snprintf(text, sizeof text, ", %.4g kbit/s", *e.bit_rate_bps / 1e3), out += text;
  return out;
}

std::string listed(const std::vector<const OfferedStream*>& streams) {
  std::string out;
  for (const auto* stream : streams) out += (out.empty() ? "" : "; ") + described(*stream);
  return out.empty() ? "no stream with a picture" : out;
}

Outcome<std::string> source_of(const MediaReport& report, const WantedStream& wanted, const std::string& where) {
  const auto& sources = report.video_sources;
  std::string known;
  for (const auto& token : sources) known += (known.empty() ? "" : ", ") + token;
  if (wanted.video_source) {
    if (std::find(sources.begin(), sources.end(), *wanted.video_source) != sources.end()) return *wanted.video_source;
    return Fault{FaultKind::unsupported,
                 "the unit has no video source “" + *wanted.video_source + "”; it has: " + known, where,
                 "correct video_source in the design"};
  }
  if (wanted.head < sources.size()) return sources[wanted.head];
  return Fault{FaultKind::unsupported,
               "the design wants head " + std::to_string(wanted.head + 1) + " of a unit with " +
                   std::to_string(sources.size()) + (sources.size() == 1 ? " video source: " : " video sources: ") +
                   (known.empty() ? "none" : known),
               where, "compare the unit with the schedule"};
}

// How far from what is wanted; what a unit does not tell is farthest.
std::pair<double, double> distance(const OfferedStream& stream, const WantedStream& wanted) {
  const auto& e = stream.profile.encoder;
  const double unknown = std::numeric_limits<double>::infinity();
  return {e.frame_rate_hz ? std::abs(*e.frame_rate_hz - wanted.frame_rate_hz) : unknown,
          e.bit_rate_bps ? std::abs(*e.bit_rate_bps - wanted.bit_rate_bps) : unknown};
}

bool same_encoder(const OfferedStream& a, const OfferedStream& b) {
  return !a.profile.encoder.token.empty() && a.profile.encoder.token == b.profile.encoder.token;
}

}  // namespace

Outcome<const OfferedStream*> resolve_stream(const MediaReport& report, const WantedStream& wanted,
                                             const std::string& where) {
  const auto source = source_of(report, wanted, where);
  if (!source) return source.error();
  std::vector<const OfferedStream*> of_head, fitting;
  for (const auto& stream : report.streams) {
    if (stream.profile.video_source != *source) continue;
    of_head.push_back(&stream);
    const auto& e = stream.profile.encoder;
    if (e.codec == wanted.codec && e.width_px == wanted.width_px && e.height_px == wanted.height_px)
      fitting.push_back(&stream);
  }
  const auto sought = wanted.codec + " " + size_of(wanted.width_px, wanted.height_px);
  if (fitting.empty())
    return Fault{FaultKind::unsupported,
                 "the head (" + *source + ") offers no " + sought + "; it offers: " + listed(of_head), where,
                 give_a_path};
  const auto nearest = *std::min_element(fitting.begin(), fitting.end(), [&](const auto* a, const auto* b) {
    return distance(*a, wanted) < distance(*b, wanted);
  });
  for (const auto* other : fitting)
    if (other != nearest && distance(*other, wanted) == distance(*nearest, wanted) && !same_encoder(*other, *nearest))
      return Fault{FaultKind::unsupported,
                   "several streams of the head (" + *source + ") are equally near to " + sought + ": " +
                       listed(fitting),
                   where, give_a_path};
  if (nearest->url.empty())
    return Fault{FaultKind::unsupported, "the address of " + described(*nearest) + " is unread: " + nearest->url_unread,
                 where, give_a_path};
  return nearest;
}

const OfferedStream* find_by_path(const MediaReport& report, const std::string& path) {
  const OfferedStream* found = nullptr;
  for (const auto& stream : report.streams) {
    const auto url = wire::decode_url(stream.url);
    if (!url || url->path != path) continue;
    if (found && !same_encoder(*found, stream)) return nullptr;
    if (!found) found = &stream;
  }
  return found;
}

std::vector<Reading> told_readings(const MediaReport& report, const OfferedStream& stream, const std::string& subject,
                                   const std::string& password, SystemTime when) {
  const auto& e = stream.profile.encoder;
  const std::string how = std::string("ONVIF media ") + (report.version == wire::MediaVersion::media2 ? "2" : "1") +
                          ", profile " + stream.profile.token;
  const std::string not_told = "the unit does not tell";
  std::vector<Reading> out;
  const auto word = [&](const char* quantity, const std::string& value) {
    out.push_back(value.empty() ? unread(subject, quantity, not_told, when)
                                : read_word(subject, quantity, value, how, when));
  };
  const auto number = [&](const char* quantity, const auto& value, double uncertainty = 0) {
    out.push_back(value ? read_number(subject, quantity, static_cast<double>(*value), how, when, {}, uncertainty)
                        : unread(subject, quantity, not_told, when));
  };
  word("told_codec", e.codec);
  number("told_width_px", e.width_px);
  number("told_height_px", e.height_px);
  number("told_frame_rate_hz", e.frame_rate_hz, e.frame_rate_uncertainty_hz);
  number("told_bit_rate_bps", e.bit_rate_bps);
  number("told_gop_frames", e.gop_frames);
  word("told_stream_url", without_secrets(stream.url, password));
  return out;
}

std::vector<Reading> told_unread(const std::string& subject, const std::string& reason, SystemTime when) {
  std::vector<Reading> out;
  for (const char* quantity : {"told_codec", "told_width_px", "told_height_px", "told_frame_rate_hz",
                               "told_bit_rate_bps", "told_gop_frames", "told_stream_url"})
    out.push_back(unread(subject, quantity, reason, when));
  return out;
}

}  // namespace tallywire::camera
