#include "probes/tap/codec_guess.hpp"

#include "probes/wire/h264.hpp"
#include "probes/wire/h265.hpp"

namespace tallywire::tap {
namespace {

constexpr int least_side = 16, largest_side = 16384;  // luma samples

bool makes_sense(const std::optional<wire::PictureFormat>& format) {
  return format && format->width >= least_side && format->width <= largest_side && format->height >= least_side &&
         format->height <= largest_side;
}

}  // namespace

bool CodecGuess::enough(const Evidence& evidence) {
  return !evidence.out && evidence.fits >= least_packets && evidence.begins >= 2 && evidence.ends >= 2;
}

// RFC 6184: the types of packetization modes 0 and 1, units fragmented from S to E. True when a parameter set decides.
bool CodecGuess::look_as_h264(const wire::RtpPacket& packet) {
  if (packet.payload.empty()) return false;
  const auto first = packet.payload[0];
  if (first & 0x80) {
    h264_.out = true;
    return false;
  }
  bool decides = false;
  const bool good = wire::split_h264_payload(packet.payload, [&](unsigned type, wire::Octets nal, bool begins) {
    if (type == static_cast<unsigned>(wire::H264Nal::sps) && begins && (first & 0x1f) != 28)
      decides = decides || makes_sense(wire::decode_h264_sps(nal));
    if (type > 12 || type == 0) h264_.out = true;
  });
  if (!good) h264_.out = true;
  if ((first & 0x1f) == 28 && packet.payload.size() > 2) {
    const bool begins = packet.payload[1] & 0x80, ends = packet.payload[1] & 0x40;
    h264_.out = h264_.out || (begins == h264_.inside);
    h264_.begins += begins;
    h264_.ends += ends;
    h264_.inside = !ends;
  } else {
    h264_.out = h264_.out || h264_.inside;
  }
  ++h264_.fits;
  return decides && !h264_.out;
}

// RFC 7798: layer 0, a temporal identifier above 0, the types that H.265 knows.
bool CodecGuess::look_as_h265(const wire::RtpPacket& packet) {
  const auto& p = packet.payload;
  if (p.size() < 3 || (p[0] & 0x81) != 0 || p[1] >> 3 != 0 || (p[1] & 7) == 0) {
    h265_.out = true;
    return false;
  }
  bool decides = false;
  const unsigned packet_type = (p[0] >> 1) & 0x3fu;
  const bool good = wire::split_h265_payload(p, [&](unsigned type, wire::Octets nal, bool begins) {
    if (type == wire::h265_sps_type && begins && packet_type != 49) decides = decides || makes_sense(wire::decode_h265_sps(nal));
    if (type > 40 || (type > 9 && type < 16) || (type > 21 && type < 32)) h265_.out = true;
  });
  if (!good) h265_.out = true;
  if (packet_type == 49) {
    const bool begins = p[2] & 0x80, ends = p[2] & 0x40;
    h265_.out = h265_.out || (begins == h265_.inside);
    h265_.begins += begins;
    h265_.ends += ends;
    h265_.inside = !ends;
  } else {
    h265_.out = h265_.out || h265_.inside;
  }
  ++h265_.fits;
  return decides && !h265_.out;
}

std::optional<stream::Codec> CodecGuess::look_at_head(wire::RtpPacket packet) {
  const auto& p = packet.payload;
  if (p.size() < 4) return std::nullopt;
  const bool aggregates = (p[0] & 0x1f) == 24 || ((p[0] >> 1) & 0x3f) == 48;  // as H.264, as H.265
  if (aggregates) {
    next_ = static_cast<std::uint16_t>(packet.sequence + 1);
    return std::nullopt;
  }
  return look(packet);
}

std::optional<stream::Codec> CodecGuess::look(const wire::RtpPacket& packet) {
  if (given_up()) return std::nullopt;
  // Only what came without a hole can be held against the rules of fragments; the first packet may be in the midst of one.
  if (packets_++ == 0 || packet.sequence != next_) {
    h264_ = h265_ = {};
    const auto& p = packet.payload;
    h264_.inside = p.size() > 2 && (p[0] & 0x1f) == 28 && !(p[1] & 0x80);
    h265_.inside = p.size() > 3 && ((p[0] >> 1) & 0x3f) == 49 && !(p[2] & 0x80);
  }
  next_ = static_cast<std::uint16_t>(packet.sequence + 1);
  if (look_as_h264(packet)) return stream::Codec::h264;
  if (look_as_h265(packet)) return stream::Codec::h265;
  if (enough(h264_) && !enough(h265_)) return stream::Codec::h264;
  if (enough(h265_) && !enough(h264_)) return stream::Codec::h265;
  return std::nullopt;
}

}  // namespace tallywire::tap
