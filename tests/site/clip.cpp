#include "tests/site/clip.hpp"

#include "probes/wire/base64.hpp"

#include <cstdio>
#include <fstream>
#include <iterator>
#include <stdexcept>

namespace tallywire::site {
namespace {

constexpr std::size_t largest_payload = 1400;
constexpr double key_weight = 6;  // a key frame is that much larger than a difference frame

std::vector<Bytes> read_nals(const std::string& file) {
  std::ifstream in(file, std::ios::binary);
  const Bytes all((std::istreambuf_iterator<char>(in)), std::istreambuf_iterator<char>());
  std::vector<Bytes> out;
  std::size_t begin = 0;
  bool inside = false;
  for (std::size_t i = 0; i + 2 < all.size(); ++i) {
    if (all[i] != 0 || all[i + 1] != 0 || all[i + 2] != 1) continue;
    if (inside) {
      auto end = i;
      while (end > begin && all[end - 1] == 0) --end;
      out.emplace_back(all.begin() + static_cast<std::ptrdiff_t>(begin), all.begin() + static_cast<std::ptrdiff_t>(end));
    }
    begin = i + 3;
    inside = true;
  }
  if (inside) out.emplace_back(all.begin() + static_cast<std::ptrdiff_t>(begin), all.end());
  return out;
}

unsigned type_of(const Bytes& nal, bool h265) { return h265 ? (nal[0] >> 1) & 0x3fu : nal[0] & 0x1fu; }

}  // namespace

Clip::Clip(const StreamPlan& plan) : plan_(plan) {
  Picture picture;
  for (auto& nal : read_nals(plan.file)) {
    if (nal.size() < 3) continue;
    const auto type = type_of(nal, plan.h265);
    if (plan.h265) {
      if (type == 32) vps_ = nal;
      if (type == 33) sps_ = nal;
      if (type == 34) pps_ = nal;
    } else {
      if (type == 7) sps_ = nal;
      if (type == 8) pps_ = nal;
    }
    const bool slice = plan.h265 ? type < 32 : type == 1 || type == 5;
    const bool key = plan.h265 ? type >= 16 && type <= 21 : type == 5;
    // Supplemental information is left out: nobody here reads it.
    if (slice || (plan.h265 ? type >= 32 && type <= 34 : type == 7 || type == 8)) picture.nals.push_back(std::move(nal));
    if (!slice) continue;
    picture.key = key;
    pictures_.push_back(std::move(picture));
    picture = {};
  }
  if (pictures_.empty() || !pictures_.front().key || pictures_.size() < static_cast<std::size_t>(plan.gop_frames))
    throw std::runtime_error("no whole GOP in " + plan.file);
  pictures_.resize(static_cast<std::size_t>(plan.gop_frames));
}

// RTP payload octets that a NAL unit of this size makes: one packet, or fragments with their headers.
double Clip::payload_octets(std::size_t nal_octets) const {
  if (nal_octets <= largest_payload) return static_cast<double>(nal_octets);
  const std::size_t header = plan_.h265 ? 2 : 1, unit = plan_.h265 ? 3 : 2;
  const std::size_t room = largest_payload - unit, body = nal_octets - header;
  return static_cast<double>(body + unit * ((body + room - 1) / room));
}

Bytes Clip::filler(std::size_t octets) const {
  Bytes out(octets, 0xff);
  if (plan_.h265) {
    out[0] = 38 << 1;
    out[1] = 1;
  } else {
    out[0] = 12;
  }
  out.back() = 0x80;
  return out;
}

void Clip::split(const Bytes& nal, std::vector<Bytes>& out) const {
  if (nal.size() <= largest_payload) {
    out.push_back(nal);
    return;
  }
  const std::size_t header = plan_.h265 ? 2 : 1, unit = plan_.h265 ? 3 : 2, room = largest_payload - unit;
  for (std::size_t at = header; at < nal.size(); at += room) {
    const std::size_t length = std::min(room, nal.size() - at);
    const auto flags = static_cast<std::uint8_t>((at == header ? 0x80 : 0) | (at + length == nal.size() ? 0x40 : 0));
    Bytes fragment;
    if (plan_.h265) {  // RFC 7798 §4.4.3
      fragment = {static_cast<std::uint8_t>((nal[0] & 0x81) | 49 << 1), nal[1],
                  static_cast<std::uint8_t>(flags | type_of(nal, true))};
    } else {  // RFC 6184 §5.8
      fragment = {static_cast<std::uint8_t>((nal[0] & 0xe0) | 28), static_cast<std::uint8_t>(flags | type_of(nal, false))};
    }
    fragment.insert(fragment.end(), nal.begin() + static_cast<std::ptrdiff_t>(at),
                    nal.begin() + static_cast<std::ptrdiff_t>(at + length));
    out.push_back(std::move(fragment));
  }
}

std::vector<Bytes> Clip::next() {
  const auto& picture = pictures_[at_];
  at_ = (at_ + 1) % pictures_.size();
  const double gop_octets = plan_.bit_rate_bps / 8 * plan_.gop_frames / plan_.frame_rate_hz;
  const double share = gop_octets * (picture.key ? key_weight : 1) / (key_weight + plan_.gop_frames - 1);
  owed_octets_ += share;
  std::vector<Bytes> out;
  for (const auto& nal : picture.nals) {
    split(nal, out);
    owed_octets_ -= payload_octets(nal.size());
  }
  if (owed_octets_ >= 4) {
    // A filler of n octets makes a little more than n of payload; the difference is owed less next time.
    auto octets = static_cast<std::size_t>(owed_octets_);
    if (octets > largest_payload) octets -= octets / largest_payload * (plan_.h265 ? 3 : 2);
    const auto nal = filler(std::max<std::size_t>(octets, 4));
    split(nal, out);
    owed_octets_ -= payload_octets(nal.size());
  }
  return out;
}

std::string Clip::sdp_format() const {
  if (plan_.h265)
    return "a=rtpmap:96 H265/90000\r\na=fmtp:96 sprop-vps=" + wire::encode_base64(wire::Octets(vps_)) +
           ";sprop-sps=" + wire::encode_base64(wire::Octets(sps_)) + ";sprop-pps=" + wire::encode_base64(wire::Octets(pps_)) + "\r\n";
  char profile[8];
  std::snprintf(profile, sizeof profile, "%02X%02X%02X", sps_[1], sps_[2], sps_[3]);
  return "a=rtpmap:96 H264/90000\r\na=fmtp:96 packetization-mode=1;profile-level-id=" + std::string(profile) +
         ";sprop-parameter-sets=" + wire::encode_base64(wire::Octets(sps_)) + "," + wire::encode_base64(wire::Octets(pps_)) + "\r\n";
}

}  // namespace tallywire::site
