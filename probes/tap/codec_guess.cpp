#include "probes/tap/codec_guess.hpp"

#include "probes/wire/h264.hpp"
#include "probes/wire/h265.hpp"

#include <algorithm>

namespace tallywire::tap {
namespace {

constexpr int least_side = 16, largest_side = 16384;  // luma samples
constexpr std::size_t largest_set_octets = 512;

bool makes_sense(const std::optional<wire::PictureFormat>& format) {
  return format && format->width >= least_side && format->width <= largest_side && format->height >= least_side &&
         format->height <= largest_side;
}

// Profiles and levels that ITU-T H.264 defines (Annex A, G, H), and the two bits that must be 0 (§7.4.2.1.1).
bool is_h264_set(wire::Octets nal) {
  static constexpr std::uint8_t profiles[] = {44, 66, 77, 83, 86, 88, 100, 110, 118, 122, 128, 244};
  static constexpr std::uint8_t levels[] = {9, 10, 11, 12, 13, 20, 21, 22, 30, 31, 32, 40, 41, 42, 50, 51, 52, 60, 61, 62};
  if (nal.size() < 4 || nal.size() > largest_set_octets || (nal[2] & 3) != 0) return false;
  const auto in = [](const auto& list, std::uint8_t value) { return std::find(std::begin(list), std::end(list), value) != std::end(list); };
  return in(profiles, nal[1]) && in(levels, nal[3]) && makes_sense(wire::decode_h264_sps(nal));
}

// Slices, parameter sets and what goes with them; data partitions are of the Extended profile, which no unit sends
// (common practice). Some must be references, some must not (ITU-T H.264 §7.4.1).
bool fits_h264(unsigned type, unsigned reference) {
  if (type == 5 || type == 7 || type == 8) return reference != 0;
  if (type == 6 || (type >= 9 && type <= 12)) return reference == 0;
  return type == 1;
}

bool fits_h265(unsigned type) { return type <= 9 || (type >= 16 && type <= 21) || (type >= 32 && type <= 40); }

}  // namespace

void CodecGuess::Evidence::take_fragment(bool begins_here, bool ends_here) {
  if (begins_here && ends_here) out = true;
  if (inside && *inside == begins_here) out = true;
  begins += begins_here;
  ends += ends_here;
  inside = !ends_here;
}

// RFC 6184: the types of packetization modes 0 and 1.
void CodecGuess::look_as_h264(wire::Octets p, bool cut) {
  auto& e = h264_;
  const unsigned type = p.empty() ? 0 : p[0] & 0x1fu, reference = p.empty() ? 0 : (p[0] >> 5) & 3u;
  if (p.size() < 2 || (p[0] & 0x80) != 0) {
    e.out = true;
  } else if (type == 28) {
    e.out = e.out || !fits_h264(p[1] & 0x1fu, reference) || (p[1] & 0x20) != 0;
    e.take_fragment(p[1] & 0x80, p[1] & 0x40);
  } else {
    if (e.inside.value_or(false)) e.out = true;
    e.inside = false;
    if (type != 24 && !fits_h264(type, reference)) e.out = true;
    if (cut && type == 24) return;
    const bool good = wire::split_h264_payload(p, [&](unsigned inner, wire::Octets nal, bool) {
      if (type == 24 && !fits_h264(inner, (nal[0] >> 5) & 3u)) e.out = true;
      if (inner == static_cast<unsigned>(wire::H264Nal::sps)) e.has_set = e.has_set || is_h264_set(nal);
    });
    e.out = e.out || !good;
  }
  ++e.fits;
}

// RFC 7798: layer 0, a temporal identifier above 0.
void CodecGuess::look_as_h265(wire::Octets p, bool cut) {
  auto& e = h265_;
  const unsigned type = p.empty() ? 0 : (p[0] >> 1) & 0x3fu;
  if (p.size() < 3 || (p[0] & 0x81) != 0 || p[1] >> 3 != 0 || (p[1] & 7) == 0) {
    e.out = true;
  } else if (type == 49) {
    e.out = e.out || !fits_h265(p[2] & 0x3fu);
    e.take_fragment(p[2] & 0x80, p[2] & 0x40);
  } else {
    if (e.inside.value_or(false)) e.out = true;
    e.inside = false;
    if (type != 48 && !fits_h265(type)) e.out = true;
    if (cut && type == 48) return;
    const bool good = wire::split_h265_payload(p, [&](unsigned inner, wire::Octets nal, bool) {
      if (!fits_h265(inner)) e.out = true;
      if (inner == wire::h265_sps_type && nal.size() <= largest_set_octets) e.has_set = e.has_set || makes_sense(wire::decode_h265_sps(nal));
    });
    e.out = e.out || !good;
  }
  ++e.fits;
}

void CodecGuess::look(const wire::RtpPacket& packet, bool cut) {
  if (given_up() || packet.payload.empty()) return;
  // Fragments can be held against their rules only where nothing is missing between them.
  if (packets_++ == 0 || packet.sequence != next_) h264_.inside = h265_.inside = std::nullopt;
  next_ = static_cast<std::uint16_t>(packet.sequence + 1);
  if (!h264_.out) look_as_h264(packet.payload, cut);
  if (!h265_.out) look_as_h265(packet.payload, cut);
}

bool CodecGuess::beyond_doubt(const Evidence& e) {
  return !e.out && ((e.has_set && e.fits >= least_with_set) || (e.fits >= least_without_set && e.begins >= 2 && e.ends >= 2));
}

stream::Codec CodecGuess::likely() const {
  if (packets_ == 0 || h264_.out == h265_.out) return stream::Codec::unknown;
  return h264_.out ? stream::Codec::h265 : stream::Codec::h264;
}

std::optional<stream::Codec> CodecGuess::decided() const {
  const auto codec = likely();
  if (codec == stream::Codec::h264 && beyond_doubt(h264_)) return codec;
  if (codec == stream::Codec::h265 && beyond_doubt(h265_)) return codec;
  return std::nullopt;
}

}  // namespace tallywire::tap
