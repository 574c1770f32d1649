#include "daemon/round/told_media.hpp"

#include "probes/camera/resolution.hpp"

namespace tallywire::round {
namespace {

camera::WantedStream wanted_of(const config::Camera& camera, const config::Head& head, const config::Stream& stream) {
  camera::WantedStream out;
  for (std::size_t i = 0; i < camera.heads.size(); ++i)
    if (camera.heads[i].id == head.id) out.head = i;
  out.video_source = head.video_source;
  out.codec = stream.codec;
  out.width_px = stream.width_px;
  out.height_px = stream.height_px;
  out.frame_rate_hz = stream.frame_rate_hz;
  out.bit_rate_bps = static_cast<double>(stream.bit_rate_bps);
  return out;
}

Outcome<const camera::OfferedStream*> offered(const config::Camera& camera, const config::Head& head,
                                              const config::Stream& stream, const ToldMedia& told) {
  const auto subject = config::subject_of(camera, head, stream);
  if (!told.media)
    return Fault{FaultKind::unsupported, "the unit's streams are unread: " + told.unread, subject,
                 "mend that, or give the stream a path in the design"};
  if (!stream.path) return camera::resolve_stream(*told.media, wanted_of(camera, head, stream), subject);
  if (const auto* found = camera::find_by_path(*told.media, *stream.path)) return found;
  return Fault{FaultKind::unsupported, "the unit names no stream with the design's path " + *stream.path, subject, ""};
}

// The token of the head's picture; empty when the unit has no such head.
std::string source_of(const config::Camera& camera, const config::Head& head, const camera::MediaReport& media) {
  if (head.video_source) return *head.video_source;
  const auto wanted = wanted_of(camera, head, {});
  return wanted.head < media.video_sources.size() ? media.video_sources[wanted.head] : std::string();
}

Reading snapshot_of(const config::Camera& camera, const config::Head& head, const ToldMedia& told,
                    const std::string& password, SystemTime when) {
  const auto subject = config::subject_of(camera) + "/head/" + head.id;
  const char* const quantity = "told_snapshot_url";
  if (!told.media) return unread(subject, quantity, told.unread, when);
  const auto source = source_of(camera, head, *told.media);
  if (const auto at = told.media->snapshot_urls.find(source); at != told.media->snapshot_urls.end())
    return read_word(subject, quantity, camera::without_secrets(at->second, password),
                     "ONVIF media, video source " + source, when);
  const auto why = told.media->snapshot_unread.find(source);
  return unread(subject, quantity,
                why != told.media->snapshot_unread.end() ? why->second : "the unit names no such head", when);
}

}  // namespace

Outcome<std::string> url_of(const config::Camera& camera, const config::Head& head, const config::Stream& stream,
                            const ToldMedia& told) {
  if (stream.path) return config::stream_url(camera, stream);
  const auto found = offered(camera, head, stream, told);
  if (!found) return found.error();
  return (*found)->url;
}

std::vector<Reading> readings_told(const config::Camera& camera, const ToldMedia& told, const std::string& password,
                                   SystemTime when) {
  std::vector<Reading> out;
  for (const auto& head : camera.heads) {
    out.push_back(snapshot_of(camera, head, told, password, when));
    for (const auto& stream : head.streams) {
      const auto subject = config::subject_of(camera, head, stream);
      const auto found = offered(camera, head, stream, told);
      auto readings = found ? camera::told_readings(*told.media, **found, subject, password, when)
                            : camera::told_unread(subject, found.error().what, when);
      out.insert(out.end(), readings.begin(), readings.end());
    }
  }
  return out;
}

}  // namespace tallywire::round
