#include "probes/wire/onvif_media.hpp"

#include "probes/wire/soap_xml.hpp"

namespace tallywire::wire {
namespace {

constexpr const char* schema = "http://www.onvif.org/ver10/schema";
constexpr double most_pixels = 65535, most_frames_hz = 1000, most_kbps = 10e6, most_gop_frames = 100'000;

const char* service_of(MediaVersion version) {
  return version == MediaVersion::media2 ? media2_service : media1_service;
}

std::string element(const char* name, const std::string& text) {
  return "<" + std::string(name) + ">" + escaped_xml(text) + "</" + name + ">";
}

std::optional<int> whole(const std::string& text, double low, double high) {
  const auto value = number_of(text, low, high);
  return value ? std::optional(static_cast<int>(*value)) : std::nullopt;
}

std::string in_capitals(std::string text) {
  for (auto& c : text)
    if (c >= 'a' && c <= 'z') c = static_cast<char>(c - 'a' + 'A');
  return text;
}

// tt:VideoEncoderConfiguration and tt:VideoEncoder2Configuration share these.
VideoEncoder common_of(const pugi::xml_node& node) {
  VideoEncoder out;
  out.token = attribute_of(node, "token");
  out.codec = in_capitals(text_of(node, "Encoding"));
  const auto size = child_of(node, "Resolution");
  out.width_px = whole(text_of(size, "Width"), 1, most_pixels);
  out.height_px = whole(text_of(size, "Height"), 1, most_pixels);
  const auto rate = child_of(node, "RateControl");
  out.frame_rate_hz = number_of(text_of(rate, "FrameRateLimit"), 0.001, most_frames_hz);
  if (const auto kbps = number_of(text_of(rate, "BitrateLimit"), 1, most_kbps)) out.bit_rate_bps = *kbps * 1000;
  return out;
}

VideoEncoder encoder1_of(const pugi::xml_node& node) {
  auto out = common_of(node);
  out.frame_rate_uncertainty_hz = 0.5;
  // onvif.xsd, EncodingInterval: an interval of 2 encodes every second frame.
  const auto interval = number_of(text_of(child_of(node, "RateControl"), "EncodingInterval"), 1, 1000);
  if (out.frame_rate_hz && interval) out.frame_rate_hz = *out.frame_rate_hz / *interval;
  const auto h264 = child_of(node, "H264");
  if (out.codec == "H264") {
    out.gop_frames = whole(text_of(h264, "GovLength"), 1, most_gop_frames);
    out.profile = text_of(h264, "H264Profile");
  }
  return out;
}

VideoEncoder encoder2_of(const pugi::xml_node& node) {
  auto out = common_of(node);
  out.gop_frames = whole(attribute_of(node, "GovLength"), 1, most_gop_frames);
  out.profile = attribute_of(node, "Profile");
  return out;
}

std::optional<MediaProfile> profile_of(MediaVersion version, const pugi::xml_node& node) {
  const bool two = version == MediaVersion::media2;
  const auto set = two ? child_of(node, "Configurations") : node;
  const auto source = child_of(set, two ? "VideoSource" : "VideoSourceConfiguration");
  const auto encoder = child_of(set, two ? "VideoEncoder" : "VideoEncoderConfiguration");
  MediaProfile out{attribute_of(node, "token"), text_of(node, "Name"), text_of(source, "SourceToken"), {}};
  if (out.token.empty() || !source || !encoder) return std::nullopt;
  out.encoder = two ? encoder2_of(encoder) : encoder1_of(encoder);
  return out;
}

Outcome<std::string> uri_in(std::string_view body, const char* answer_name, const std::string& where) {
  pugi::xml_document document;
  auto answer = answer_in(document, body, answer_name, largest_soap, where);
  if (!answer) return answer.error();
  auto uri = text_of(*answer, "Uri");                                        // version 2
  if (uri.empty()) uri = text_of(child_of(*answer, "MediaUri"), "Uri");      // version 1
  if (uri.empty()) return Fault{FaultKind::unsupported, "the unit tells no address", where, ""};
  return uri;
}

}  // namespace

// Element order of the WSDL: GetProfiles has Token and Type; all types, for some units answer no single one.
OnvifQuestion ask_profiles(MediaVersion version) {
  return {service_of(version), "GetProfiles", version == MediaVersion::media2 ? element("Type", "All") : std::string()};
}

OnvifQuestion ask_video_sources() { return {media1_service, "GetVideoSources"}; }

OnvifQuestion ask_stream_uri(MediaVersion version, const std::string& profile_token, const std::string& protocol) {
  if (version == MediaVersion::media2)
    return {media2_service, "GetStreamUri", element("Protocol", protocol) + element("ProfileToken", profile_token)};
  // tt:StreamSetup and what is inside stand in the namespace of the schema, StreamSetup itself in that of the service.
  const std::string setup = "<StreamSetup><Stream xmlns=\"" + std::string(schema) +
                            "\">RTP-Unicast</Stream><Transport xmlns=\"" + schema +
                            "\"><Protocol>RTSP</Protocol></Transport></StreamSetup>";
  return {media1_service, "GetStreamUri", setup + element("ProfileToken", profile_token)};
}

OnvifQuestion ask_snapshot_uri(MediaVersion version, const std::string& profile_token) {
  return {service_of(version), "GetSnapshotUri", element("ProfileToken", profile_token)};
}

Outcome<MediaProfiles> decode_profiles(MediaVersion version, std::string_view body, const std::string& where) {
  pugi::xml_document document;
  auto answer = answer_in(document, body, "GetProfilesResponse", largest_profiles, where);
  if (!answer) return answer.error();
  MediaProfiles out;
  for (const auto& node : answer->children()) {
    if (!is_called(node, "Profiles")) continue;
    auto profile = profile_of(version, node);
    if (!profile) continue;
    if (out.profiles.size() < most_profiles)
      out.profiles.push_back(std::move(*profile));
    else
      ++out.left_off;
  }
  return out;
}

Outcome<std::vector<std::string>> decode_video_sources(std::string_view body, const std::string& where) {
  pugi::xml_document document;
  auto answer = answer_in(document, body, "GetVideoSourcesResponse", largest_soap, where);
  if (!answer) return answer.error();
  std::vector<std::string> out;
  for (const auto& node : answer->children()) {
    auto token = attribute_of(node, "token");
    if (is_called(node, "VideoSources") && !token.empty() && out.size() < most_profiles) out.push_back(std::move(token));
  }
  return out;
}

Outcome<std::string> decode_stream_uri(std::string_view body, const std::string& where) {
  return uri_in(body, "GetStreamUriResponse", where);
}

Outcome<std::string> decode_snapshot_uri(std::string_view body, const std::string& where) {
  return uri_in(body, "GetSnapshotUriResponse", where);
}

}  // namespace tallywire::wire
