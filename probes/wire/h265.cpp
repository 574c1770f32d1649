#include "probes/wire/h265.hpp"

#include "probes/wire/bits.hpp"

#include <algorithm>
#include <cstdio>
#include <vector>

namespace tallywire::wire {
namespace {

struct ProfileTierLevel {
  std::uint32_t profile_idc = 0;
  std::uint32_t level_idc = 0;
};

// §7.3.3
ProfileTierLevel read_profile(BitReader& in, unsigned max_sub_layers_minus1) {
  ProfileTierLevel out;
  in.skip(3);  // profile space, tier
  out.profile_idc = in.bits(5);
  in.skip(32 + 48);  // compatibility flags, constraint flags
  out.level_idc = in.bits(8);
  std::vector<std::pair<bool, bool>> present;
  for (unsigned i = 0; i < max_sub_layers_minus1; ++i) {
    const bool profile = in.flag();
    present.emplace_back(profile, in.flag());
  }
  if (max_sub_layers_minus1 > 0) in.skip(2 * (8 - max_sub_layers_minus1));
  for (const auto& [profile, level] : present) {
    if (profile) in.skip(88);
    if (level) in.skip(8);
  }
  return out;
}

// §7.3.4
void skip_scaling_lists(BitReader& in) {
  for (unsigned size = 0; size < 4; ++size)
    for (unsigned matrix = 0; matrix < 6; matrix += size == 3 ? 3 : 1) {
      if (!in.flag()) {
        in.ue();
        continue;
      }
      const unsigned coefficients = std::min(64u, 1u << (4 + (size << 1)));
      if (size > 1) in.se();
      for (unsigned i = 0; i < coefficients && in.ok(); ++i) in.se();
    }
}

// §7.3.7. Returns the number of pictures of the set, or none when it is malformed.
std::optional<std::uint32_t> read_reference_set(BitReader& in, std::uint32_t index,
                                                const std::vector<std::uint32_t>& before) {
  constexpr std::uint32_t most = 16;
  if (index > 0 && in.flag()) {  // predicted from the set before
    in.flag();
    in.ue();
    std::uint32_t pictures = 0;
    for (std::uint32_t i = 0; i <= before.back() && in.ok(); ++i) {
      const bool used = in.flag();
      if (used || in.flag()) ++pictures;
    }
    return in.ok() && pictures <= most ? std::optional(pictures) : std::nullopt;
  }
  const std::uint32_t negative = in.ue(), positive = in.ue();
  if (!in.ok() || negative > most || positive > most) return std::nullopt;
  for (std::uint32_t i = 0; i < negative + positive; ++i) {
    in.ue();
    in.flag();
  }
  return negative + positive;
}

// Annex E.2.1 up to the timing.
std::optional<double> vui_frame_rate(BitReader& in) {
  if (in.flag() && in.bits(8) == 255) in.skip(32);
  if (in.flag()) in.flag();
  if (in.flag()) {
    in.skip(4);
    if (in.flag()) in.skip(24);
  }
  if (in.flag()) {
    in.ue();
    in.ue();
  }
  in.skip(3);       // neutral chroma, field seq, frame field info
  if (in.flag())    // default display window
    for (int i = 0; i < 4; ++i) in.ue();
  if (!in.flag()) return std::nullopt;
  const std::uint32_t tick = in.bits(32), scale = in.bits(32);
  if (!in.ok() || tick == 0 || scale == 0) return std::nullopt;
  return static_cast<double>(scale) / tick;  // one tick a picture, unlike H.264
}

// From sps_temporal_id_nesting to the VUI: everything in between is passed over.
std::optional<double> read_tail(BitReader& in, std::uint32_t sub_layers_minus1) {
  in.ue();
  in.ue();  // bit depths
  const std::uint32_t poc_bits = in.ue() + 4;
  const bool all_layers = in.flag();
  for (std::uint32_t i = all_layers ? 0 : sub_layers_minus1; i <= sub_layers_minus1; ++i)
    for (int j = 0; j < 3; ++j) in.ue();
  for (int i = 0; i < 6; ++i) in.ue();  // block sizes and depths
  if (in.flag() && in.flag()) skip_scaling_lists(in);
  in.skip(2);  // amp, sao
  if (in.flag()) {  // pcm
    in.skip(8);
    in.ue();
    in.ue();
    in.flag();
  }
  const std::uint32_t sets = in.ue();
  if (!in.ok() || sets > 64 || poc_bits > 16) return std::nullopt;
  std::vector<std::uint32_t> pictures;
  for (std::uint32_t i = 0; i < sets; ++i) {
    const auto count = read_reference_set(in, i, pictures);
    if (!count) return std::nullopt;
    pictures.push_back(*count);
  }
  if (in.flag()) {  // long-term reference pictures
    const std::uint32_t count = in.ue();
    if (count > 32) return std::nullopt;
    for (std::uint32_t i = 0; i < count; ++i) in.skip(poc_bits + 1);
  }
  in.skip(2);
  if (!in.flag()) return std::nullopt;
  return vui_frame_rate(in);
}

std::string profile_name(std::uint32_t profile_idc) {
  switch (profile_idc) {
    case 1: return "Main";
    case 2: return "Main 10";
    case 3: return "Main Still Picture";
    case 4: return "Range Extensions";
    default: return "general_profile_idc " + std::to_string(profile_idc);
  }
}

}  // namespace

std::optional<PictureFormat> decode_h265_sps(Octets nal) {
  if (nal.size() < 4 || ((nal[0] >> 1) & 0x3fu) != h265_sps_type) return std::nullopt;
  const auto raw = unescape_nal(nal.subspan(2));
  BitReader in(raw);
  in.skip(4);
  const std::uint32_t sub_layers_minus1 = in.bits(3);
  in.flag();
  const auto profile = read_profile(in, sub_layers_minus1);
  in.ue();  // sps_seq_parameter_set_id
  const std::uint32_t chroma_format = in.ue();
  const bool planes = chroma_format == 3 && in.flag();
  const std::uint32_t width = in.ue(), height = in.ue();
  std::uint32_t left = 0, right = 0, top = 0, bottom = 0;
  if (in.flag()) {
    left = in.ue();
    right = in.ue();
    top = in.ue();
    bottom = in.ue();
  }
  constexpr std::uint32_t most = 1 << 16;
  if (!in.ok() || width > most || height > most || left > most || right > most || top > most ||
      bottom > most || chroma_format > 3)
    return std::nullopt;
  const std::uint32_t sub_width = !planes && (chroma_format == 1 || chroma_format == 2) ? 2 : 1;
  const std::uint32_t sub_height = !planes && chroma_format == 1 ? 2 : 1;
  PictureFormat out;
  out.width = static_cast<int>(width) - static_cast<int>(sub_width * (left + right));
  out.height = static_cast<int>(height) - static_cast<int>(sub_height * (top + bottom));
  if (out.width <= 0 || out.height <= 0) return std::nullopt;
  out.profile = profile_name(profile.profile_idc);
  char level[16];
  std::snprintf(level, sizeof level, "%u.%u", profile.level_idc / 30, profile.level_idc % 30 / 3);
  out.level = level;
  out.frame_rate_hz = read_tail(in, sub_layers_minus1);
  return out;
}

}  // namespace tallywire::wire
