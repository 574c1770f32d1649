#include "probes/wire/rtsp_tracks.hpp"

#include "probes/wire/rtsp_text.hpp"
#include "probes/wire/url.hpp"

namespace tallywire::wire {
namespace {

// Why a medium is not set up; empty: it is.
std::string reason_against(const SdpMedia& media, bool another_video) {
  if (media.formats.empty()) return "the description names no payload type for it";
  if (media.inactive) return "the unit has it switched off";
  // Talk-back is sound. Video marked so, and no other beside it, is the unit's own view of what it sends.
  if (media.send_back && (media.kind != "video" || another_video)) return "talk-back: it takes sound and sends none";
  if (media.protocol == "RTP/SAVP" || media.protocol == "RTP/SAVPF") return "it is encrypted, and no key is agreed";
  if (media.protocol != "RTP/AVP" && media.protocol != "RTP/AVPF")
    return "it is not carried by RTP but by " + excerpt(media.protocol, 40);
  return {};
}

// Only what two numbers tell: a name in place of an address says nothing against it.
bool elsewhere(const std::string& url, const std::string& base) {
  const auto a = decode_url(url), b = decode_url(base);
  return a && b && is_address(a->host) && is_address(b->host) && !same_host(a->host, b->host);
}

// A unit that writes a login into its own addresses would have us send it in the open.
std::string without_login(std::string url) {
  const auto parts = decode_url(url);
  return parts && parts->has_user ? parts->text() : url;
}

}  // namespace

std::string track_name(const SdpMedia& media) {
  auto out = excerpt(media.kind, 24);
  if (!media.formats.empty() && !media.formats.front().encoding.empty())
    out += " (" + excerpt(media.formats.front().encoding, 40) + ")";
  return out;
}

std::string base_of(const RtspMessage& description, const std::string& request_url) {
  for (const char* name : {"content-base", "content-location"}) {
    const auto told = description.header(name);
    if (told.empty()) continue;
    auto base = resolve_reference(request_url, told);
    if (decode_url(base)) return without_login(std::move(base));
  }
  return request_url;
}

Outcome<TrackPlan> plan_tracks(const SdpSession& session, const std::string& base, bool every_track) {
  TrackPlan out;
  const auto aggregate = without_login(join_control(base, session.control));
  out.aggregate_told = !session.control.empty() && decode_url(aggregate).has_value();
  out.aggregate = out.aggregate_told ? aggregate : base;
  bool plain_video = false;
  for (const auto& media : session.media) plain_video |= media.kind == "video" && !media.send_back;
  std::string why_no_video = "the session description offers no video";
  std::vector<ExchangeTrack> others;
  for (const auto& media : session.media) {
    auto reason = reason_against(media, plain_video);
    ExchangeTrack track;
    track.url = without_login(join_control(base, media.control));
    if (reason.empty() && !decode_url(track.url)) reason = "its address cannot be read: " + excerpt(media.control);
    if (reason.empty() && elsewhere(track.url, base))
      reason = "the unit sends us to another host for it: " + excerpt(track.url);
    const bool video = media.kind == "video";
    if (!reason.empty()) {
      if (video && out.tracks.empty()) why_no_video += "; " + track_name(media) + ": " + reason;
      out.left_out.push_back(track_name(media) + ": " + reason);
      continue;
    }
    track.media = media;
    track.format = media.formats.front();
    (video && out.tracks.empty() ? out.tracks : others).push_back(std::move(track));
  }
  if (out.tracks.empty())
    return Fault{FaultKind::unsupported, why_no_video, "", "look whether this stream is switched on in the unit"};
  if (!every_track) {
    out.left_out.clear();
    return out;
  }
  for (auto& track : others) {
    if (out.tracks.size() < most_tracks)
      out.tracks.push_back(std::move(track));
    else
      out.left_out.push_back(track_name(track.media) + ": more than " + std::to_string(most_tracks) + " tracks");
  }
  return out;
}

}  // namespace tallywire::wire
