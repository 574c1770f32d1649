#include "probes/wire/h264.hpp"

#include "probes/wire/bits.hpp"

#include <algorithm>
#include <cstdio>

namespace tallywire::wire {
namespace {

// ITU-T H.264 Annex A: constraint_set1 on Baseline is Constrained Baseline; constraint_set3 on the higher
// profiles is intra only.
std::string profile_name(std::uint32_t profile_idc, std::uint32_t constraints) {
  const std::string intra = constraints & 0x10 ? " Intra" : "";
  switch (profile_idc) {
    case 44: return "CAVLC 4:4:4 Intra";
    case 66: return constraints & 0x40 ? "Constrained Baseline" : "Baseline";
    case 77: return "Main";
    case 88: return "Extended";
    case 100: return "High";
    case 110: return "High 10" + intra;
    case 122: return "High 4:2:2" + intra;
    case 244: return intra.empty() ? "High 4:4:4 Predictive" : "High 4:4:4 Intra";
    default: return "profile_idc " + std::to_string(profile_idc);
  }
}

// Level 1b is level_idc 11 with constraint_set3 in Baseline, Main and Extended, and level_idc 9 elsewhere (§A.3.1).
std::string level_name(std::uint32_t level_idc, std::uint32_t profile_idc, std::uint32_t constraints) {
  const bool low = profile_idc == 66 || profile_idc == 77 || profile_idc == 88;
  if (level_idc == 9 || (level_idc == 11 && (constraints & 0x10) && low)) return "1b";
  char text[16];
  std::snprintf(text, sizeof text, "%u.%u", level_idc / 10, level_idc % 10);
  return text;
}

bool has_chroma_format(std::uint32_t profile_idc) {
  for (const std::uint32_t high : {100u, 110u, 122u, 244u, 44u, 83u, 86u, 118u, 128u, 138u, 139u, 134u, 135u})
    if (profile_idc == high) return true;
  return false;
}

// §7.3.2.1.1.1: read only to get past it.
void skip_scaling_list(BitReader& in, int size) {
  int last = 8, next = 8;
  for (int i = 0; i < size && in.ok(); ++i) {
    if (next != 0) {
      const auto delta = in.se();
      if (delta < -128 || delta > 127) return in.fail();  // §7.4.2.1.1.1
      next = (last + delta + 256) % 256;
    }
    if (next != 0) last = next;
  }
}

void skip_reference_counts(BitReader& in) {
  const std::uint32_t poc_type = in.ue();
  if (poc_type == 0) {
    in.ue();
  } else if (poc_type == 1) {
    in.flag();
    in.se();
    in.se();
    const std::uint32_t cycle = in.ue();
    for (std::uint32_t i = 0; i < cycle && i < 256 && in.ok(); ++i) in.se();
  }
  in.ue();    // max_num_ref_frames
  in.flag();  // gaps_in_frame_num_value_allowed_flag
}

// Annex E.1.1 up to the timing.
std::optional<double> vui_frame_rate(BitReader& in) {
  if (in.flag() && in.bits(8) == 255) in.skip(32);  // aspect ratio
  if (in.flag()) in.flag();                          // overscan
  if (in.flag()) {                                   // video signal type
    in.skip(4);
    if (in.flag()) in.skip(24);
  }
  if (in.flag()) {  // chroma location
    in.ue();
    in.ue();
  }
  if (!in.flag()) return std::nullopt;
  const std::uint32_t tick = in.bits(32), scale = in.bits(32);
  if (!in.ok() || tick == 0 || scale == 0) return std::nullopt;
  return static_cast<double>(scale) / (2.0 * tick);  // Annex E: two ticks a frame
}

struct Sampling {
  std::uint32_t chroma_format = 1;
  bool separate_planes = false;
};

Sampling read_sampling(BitReader& in, std::uint32_t profile_idc) {
  Sampling out;
  if (!has_chroma_format(profile_idc)) return out;
  out.chroma_format = in.ue();
  if (out.chroma_format == 3) out.separate_planes = in.flag();
  in.ue();
  in.ue();
  in.flag();
  if (in.flag())
    for (int i = 0; i < (out.chroma_format == 3 ? 12 : 8); ++i)
      if (in.flag()) skip_scaling_list(in, i < 6 ? 16 : 64);
  return out;
}

}  // namespace

std::optional<PictureFormat> decode_h264_sps(Octets nal) {
  if (nal.size() < 4 || (nal[0] & 0x1f) != static_cast<unsigned>(H264Nal::sps)) return std::nullopt;
  const auto raw = unescape_nal(nal.subspan(1));
  BitReader in(raw);
  const std::uint32_t profile_idc = in.bits(8), constraints = in.bits(8), level_idc = in.bits(8);
  in.ue();  // seq_parameter_set_id
  const Sampling sampling = read_sampling(in, profile_idc);
  in.ue();  // log2_max_frame_num_minus4
  skip_reference_counts(in);
  const std::uint32_t width_mbs = in.ue() + 1, height_units = in.ue() + 1;
  const bool frames_only = in.flag();
  if (!frames_only) in.flag();
  in.flag();
  std::uint32_t left = 0, right = 0, top = 0, bottom = 0;
  if (in.flag()) {
    left = in.ue();
    right = in.ue();
    top = in.ue();
    bottom = in.ue();
  }
  constexpr std::uint32_t most = 1 << 12;  // 65 536 samples: beyond every level
  if (!in.ok() || width_mbs > most || height_units > most || left > most * 16 || right > most * 16 ||
      top > most * 16 || bottom > most * 16)
    return std::nullopt;
  // §7.4.2.1.1: crop units by chroma sampling, doubled vertically where fields may be coded.
  const bool planes = sampling.separate_planes || sampling.chroma_format == 0;
  const std::uint32_t sub_width = planes || sampling.chroma_format == 3 ? 1 : 2;
  const std::uint32_t sub_height = planes || sampling.chroma_format != 1 ? 1 : 2;
  const std::uint32_t field = frames_only ? 1 : 2;
  PictureFormat out;
  out.width = static_cast<int>(width_mbs * 16) - static_cast<int>(sub_width * (left + right));
  out.height = static_cast<int>(height_units * 16 * field) -
               static_cast<int>(sub_height * field * (top + bottom));
  if (out.width <= 0 || out.height <= 0) return std::nullopt;
  out.profile = profile_name(profile_idc, constraints);
  out.level = level_name(level_idc, profile_idc, constraints);
  if (in.flag()) out.frame_rate_hz = vui_frame_rate(in);
  return out;
}

std::string profile_level_id_of(Octets sps) {
  if (sps.size() < 4) return {};
  char text[8];
  std::snprintf(text, sizeof text, "%02X%02X%02X", unsigned{sps[1]}, unsigned{sps[2]}, unsigned{sps[3]});
  return text;
}

std::optional<unsigned> decode_slice_type(Octets slice_header) {
  BitReader in(slice_header.first(std::min<std::size_t>(slice_header.size(), 16)));
  in.ue();  // first_mb_in_slice
  const std::uint32_t type = in.ue();
  if (!in.ok() || type > 9) return std::nullopt;
  return type;
}

bool has_recovery_point(Octets nal) {
  constexpr std::uint32_t recovery_point = 6;
  if (nal.empty() || (nal[0] & 0x1f) != static_cast<unsigned>(H264Nal::sei)) return false;
  OctetReader in(nal.subspan(1));
  for (int message = 0; message < 16 && in.left() >= 2; ++message) {
    // §7.3.2.3.1: both numbers are sums of 0xff octets and a last one.
    std::uint32_t type = 0, size = 0;
    std::uint8_t octet = 0;
    while ((octet = in.u8()) == 0xff && in.ok()) type += 255;
    type += octet;
    while ((octet = in.u8()) == 0xff && in.ok()) size += 255;
    size += octet;
    if (!in.ok()) return false;
    if (type == recovery_point) return true;
    in.skip(size);
  }
  return false;
}

}  // namespace tallywire::wire
