// What a meter is told about a stream before the first packet: its format, how it is wrapped on the wire, and
// what the unit says of itself. Values without I/O; any thread.
#pragma once

#include "probes/wire/aac.hpp"
#include "probes/wire/sdp.hpp"

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::stream {

enum class Codec { unknown, h264, h265, jpeg, g711, g726, aac, metadata, other };

// Codec of an RTP encoding name ("H264", "PCMU", "vnd.onvif.metadata+gzip", in any case).
Codec codec_of(const std::string& encoding_name);

constexpr bool is_video(Codec codec) {
  return codec == Codec::h264 || codec == Codec::h265 || codec == Codec::jpeg;
}

// How a packet is wrapped on the wire, for wire_bps.
struct Wrapping {
  enum class Transport { udp, multicast, tcp };
  Transport transport = Transport::udp;
  bool ipv6 = false;
  int vlan_tags = 0;
  double tcp_segment_octets = 1448;  // carried by a segment; full ones with the time stamp option (RFC 7323)
};

// Octets that a link is busy with for one RTP packet: UDP, IP, Ethernet header, FCS, preamble, gap; at
// least a minimum frame (RFC 5180 App. A, IEEE 802.3). For TCP: its share of segments of that length.
double wire_octets(std::size_t rtp_octets, const Wrapping& wrapping);

// What the unit says of itself, to be held against what it sends.
struct Told {
  std::optional<double> frame_rate_hz;           // a=framerate (RFC 8866 §6.15) or the ONVIF profile
  std::optional<int> width, height;              // a=framesize, a=x-dimensions, or the ONVIF profile
  std::optional<std::string> profile_level_id;   // six hexadecimal digits (RFC 6184 §8.1)
};

struct MeterSettings {
  Codec codec = Codec::unknown;
  std::string kind = "video";                            // "video", "audio", "metadata"
  std::string encoding_name;
  std::uint32_t clock_hz = 90000;                        // 0 is taken as 90 000
  Wrapping wrapping;
  std::vector<std::vector<std::uint8_t>> parameter_sets; // NAL units of the SDP; may be empty
  bool don_fields = false;                               // RFC 7798 §4.4: sprop-max-don-diff is above 0
  wire::AuHeaderFormat au_headers;                       // RFC 3640 §4.1
  Told told;
};

// What a session description says of a medium, and of one of its formats. The wrapping is left as it is.
MeterSettings settings_of(const wire::SdpMedia& media, const wire::SdpFormat& format);

// The encoding name in capitals; H265 for units that call it HEVC.
std::string name_of_codec(const MeterSettings& settings);

// Fills `don_fields` and `au_headers` from the parameters of an fmtp line, and `told.profile_level_id` for H.264.
void read_format_parameters(MeterSettings& settings, const std::string& fmtp);

}  // namespace tallywire::stream
