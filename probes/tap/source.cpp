#include "probes/tap/source.hpp"

#include "probes/wire/sdp.hpp"

#include <bit>
#include <cmath>

namespace tallywire::tap {
namespace {

constexpr int first_clock_look = 32, packets_between_clock_looks = 256;

// Clock rates of RTP payload formats (RFC 3551 §6, RFC 7587 §4.1; 32 and 44.1 kHz of RFC 3640 streams, common practice).
constexpr std::uint32_t known_clocks_hz[] = {8000, 11025, 16000, 22050, 24000, 32000, 44100, 48000, 90000};
constexpr double taken_for_granted_hz = 90000;  // by a meter that was told nothing
// Nearer to one of them than any two are to each other by far, and farther off than any crystal.
constexpr double clock_tolerance = 0.01;

stream::MeterSettings unknown_settings(const wire::Flow& flow, int vlan_tags) {
  stream::MeterSettings out;
  out.kind = "unknown";
  out.wrapping.ipv6 = flow.ipv6;
  out.wrapping.vlan_tags = vlan_tags;
  out.wrapping.transport = flow.transport == wire::Transport::tcp        ? stream::Wrapping::Transport::tcp
                           : flow.destination().is_multicast() ? stream::Wrapping::Transport::multicast
                                                               : stream::Wrapping::Transport::udp;
  return out;
}

}  // namespace

const char* name_of(RecognisedBy by) {
  switch (by) {
    case RecognisedBy::sequence: return "sequence";
    case RecognisedBy::design: return "design";
    case RecognisedBy::rtcp: return "rtcp";
    case RecognisedBy::rtsp: return "rtsp";
  }
  return "sequence";
}

Source::Source(const wire::Flow& flow, int vlan_tags, std::uint8_t payload_type, RecognisedBy by)
    : payload_type_(payload_type), by_(by), meter_(unknown_settings(flow, vlan_tags)), flow_(flow) {
  const auto format = wire::static_format(payload_type);
  if (!format) return;
  wire::SdpMedia media;
  // MPEG audio and transport streams have the clock of video, but a time stamp of theirs is no picture (RFC 2250).
  const bool video = format->clock_hz == 90000 && format->encoding != "MPA" && format->encoding != "MP2T";
  media.kind = video ? "video" : "audio";
  learn(stream::settings_of(media, *format));
}

// What somebody said, or a standard does.
void Source::learn(stream::MeterSettings settings) {
  clock_known_ = settings.clock_hz != 0;
  told_ = true;
  undecided_ = clock_measured_ = false;
  meter_.learn(std::move(settings));
}

void Source::announce(std::shared_ptr<const AnnouncedMedium> medium) {
  by_ = RecognisedBy::rtsp;
  const bool knew = medium_ && !medium_->formats.empty();
  medium_ = std::move(medium);
  if (knew) return;
  auto settings = medium_->settings(payload_type_);
  if (!settings) return;
  if (medium_->encrypted) {
    settings->codec = stream::Codec::other;  // named as it is, but its payload says nothing
    settings->parameter_sets.clear();
  }
  guessed_ = false;
  learn(std::move(*settings));
}

// Rates of a stream whose codec stays unknown still need its clock.
void Source::find_clock() {
  const auto measured = meter_.measured_clock_hz();
  if (!measured) return;
  for (const auto known_hz : known_clocks_hz) {
    if (std::abs(*measured / known_hz - 1) > clock_tolerance) continue;
    auto settings = meter_.settings();
    settings.clock_hz = known_hz;
    const bool differs = known_hz != 90000;
    if (differs) meter_.learn(std::move(settings));
    clock_known_ = clock_measured_ = true;
    return;
  }
}

void Source::settle() {
  if (clock_known_) return;
  const auto measured = meter_.measured_clock_hz();
  clock_known_ = measured && std::abs(*measured / taken_for_granted_hz - 1) <= clock_tolerance;
  clock_measured_ = clock_known_;
}

// As long as nobody knows, the stream is metered as what alone fits so far: were it taken up only once it is beyond doubt,
// its first pictures would be lost to the meter. What turns out not to fit is taken back.
void Source::suppose(stream::Codec codec) {
  if (codec == meter_.settings().codec) return;
  // A clock that was recognised is no picture's.
  if (codec != stream::Codec::unknown && clock_known_ && meter_.settings().clock_hz != 90000) return;
  stream::MeterSettings settings;
  settings.kind = "unknown";
  settings.clock_hz = meter_.settings().clock_hz;
  if (codec != stream::Codec::unknown) {
    settings.codec = codec;
    settings.encoding_name = codec == stream::Codec::h264 ? "H264" : "H265";
    settings.kind = "video";
    settings.clock_hz = 90000;  // RFC 6184 §8.1, RFC 7798 §7.1: no other
  }
  meter_.learn(std::move(settings));
}

void Source::find_out(const stream::Meter::Seen& seen) {
  ++looked_at_;
  const bool early = looked_at_ >= first_clock_look && std::has_single_bit(static_cast<unsigned>(looked_at_));
  if (!clock_known_ && (early || looked_at_ % packets_between_clock_looks == 0)) find_clock();
  if (guess_.given_up()) {
    suppose(stream::Codec::unknown);
    undecided_ = !clock_known_;
    return;
  }
  const bool cut = seen.octets.size() < seen.whole_octets;
  std::optional<wire::RtpPacket> packet;
  if (!cut)
    packet = wire::decode_rtp(seen.octets);
  else if (const auto head = wire::decode_cut_rtp(seen.octets, seen.whole_octets))
    packet = head->packet;
  if (!packet || packet->payload_type != payload_type_) return;
  guess_.look(*packet, cut);
  const auto likely = guess_.likely();
  // In the midst of a picture only what is ruled out is dropped; another is taken up where the next one begins.
  if (likely == stream::Codec::unknown || meter_.packets() == 0 || packet->timestamp != last_time_) suppose(likely);
  last_time_ = packet->timestamp;
  if (!guess_.decided() || meter_.settings().codec != likely) return;
  guessed_ = clock_known_ = true;
  clock_measured_ = false;
  undecided_ = false;
}

}  // namespace tallywire::tap
