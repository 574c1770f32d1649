#include "probes/stream/meter_settings.hpp"

#include <algorithm>
#include <charconv>

namespace tallywire::stream {
namespace {

// A number of an fmtp; 0 when it is missing, malformed or beyond what a width or size can be.
unsigned number_of(const std::string& fmtp, const char* name) {
  constexpr unsigned most = 65535;
  const std::string text = wire::fmtp_parameter(fmtp, name);
  unsigned out = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), out);
  return error == std::errc() && end == text.data() + text.size() && out <= most ? out : 0;
}

std::string capitals(std::string text) {
  for (char& c : text)
    if (c >= 'a' && c <= 'z') c = static_cast<char>(c - 32);
  return text;
}

bool begins_with(const std::string& text, const char* start) { return text.rfind(start, 0) == 0; }

}  // namespace

Codec codec_of(const std::string& encoding_name) {
  const std::string upper = capitals(encoding_name);
  if (upper == "H264") return Codec::h264;
  if (upper == "H265" || upper == "HEVC") return Codec::h265;
  if (upper == "JPEG") return Codec::jpeg;
  if (upper == "PCMU" || upper == "PCMA") return Codec::g711;
  if (begins_with(upper, "G726-") || begins_with(upper, "AAL2-G726-")) return Codec::g726;  // RFC 3551 §4.5.4
  if (upper == "MPEG4-GENERIC") return Codec::aac;
  if (begins_with(upper, "VND.ONVIF.METADATA")) return Codec::metadata;
  return upper.empty() ? Codec::unknown : Codec::other;
}

MeterSettings settings_of(const wire::SdpMedia& media, const wire::SdpFormat& format) {
  MeterSettings out;
  out.kind = media.kind == "application" ? "metadata" : media.kind;
  out.codec = codec_of(format.encoding);
  out.encoding_name = format.encoding;
  out.clock_hz = format.clock_hz;
  out.parameter_sets = wire::parameter_sets_of(format);
  read_format_parameters(out, format.parameters);
  if (media.framerate_hz > 0) out.told.frame_rate_hz = media.framerate_hz;
  if (media.width > 0 && media.height > 0) {
    out.told.width = media.width;
    out.told.height = media.height;
  }
  return out;
}

std::string name_of_codec(const MeterSettings& settings) {
  return settings.codec == Codec::h265 ? "H265" : capitals(settings.encoding_name);
}

double wire_octets(std::size_t rtp_octets, const Wrapping& wrapping) {
  constexpr double ethernet = 14 + 4, preamble_and_gap = 8 + 12, least_frame = 64;
  const double ip = wrapping.ipv6 ? 40 : 20;
  const double tags = 4.0 * wrapping.vlan_tags;
  const double octets = static_cast<double>(rtp_octets);
  if (wrapping.transport == Wrapping::Transport::tcp) {
    constexpr double tcp = 20 + 12;
    const double segment = std::max(1.0, wrapping.tcp_segment_octets);
    return octets * (segment + tcp + ip + ethernet + tags + preamble_and_gap) / segment;
  }
  const double frame = octets + 8 + ip + ethernet;
  return std::max(frame, least_frame) + tags + preamble_and_gap;
}

void read_format_parameters(MeterSettings& settings, const std::string& fmtp) {
  settings.don_fields = settings.codec == Codec::h265 && number_of(fmtp, "sprop-max-don-diff") > 0;
  auto& au = settings.au_headers;
  au.size_length = number_of(fmtp, "sizeLength");
  au.index_length = number_of(fmtp, "indexLength");
  au.index_delta_length = number_of(fmtp, "indexDeltaLength");
  au.cts_delta_length = number_of(fmtp, "CTSDeltaLength");
  au.dts_delta_length = number_of(fmtp, "DTSDeltaLength");
  au.random_access_indication = number_of(fmtp, "randomAccessIndication") > 0;
  au.stream_state_length = number_of(fmtp, "streamStateIndication");
  au.constant_size = number_of(fmtp, "constantSize");
  if (settings.codec != Codec::h264) return;
  const std::string id = wire::fmtp_parameter(fmtp, "profile-level-id");
  if (!id.empty()) settings.told.profile_level_id = id;
}

}  // namespace tallywire::stream
