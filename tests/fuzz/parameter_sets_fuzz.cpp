// Sequence parameter sets of H.264 and H.265 (ITU-T H.264 §7.3.2.1, H.265 §7.3.2.2). The first octet of the input
// chooses which; the NAL unit's own header is set, so that no input is lost to its type.
#include "probes/wire/h264.hpp"
#include "probes/wire/h265.hpp"
#include "tests/fuzz/fuzz.hpp"

#include <cmath>
#include <vector>

using namespace tallywire;
using namespace tallywire::wire;
using fuzz::require;

namespace {

void check(const PictureFormat& format) {
  // Twice 65 536 lines where fields are coded: beyond every level of both standards.
  require(format.width > 0 && format.width <= 1 << 16, "a width that a level could hold");
  require(format.height > 0 && format.height <= 1 << 17, "a height that a level could hold");
  require(!format.profile.empty() && format.profile.size() < 64, "a profile has a name");
  require(!format.level.empty() && format.level.size() < 16, "a level has a number");
  if (format.frame_rate_hz)
    require(std::isfinite(*format.frame_rate_hz) && *format.frame_rate_hz > 0, "a frame rate is more than nothing");
}

template <class Decode>
void check_set(std::vector<std::uint8_t> nal, Decode decode) {
  const auto format = decode(Octets(nal));
  if (!format) return;
  check(*format);
  // A parser reads forward only: what follows the set changes nothing that was there.
  nal.push_back(0x80);
  const auto longer = decode(Octets(nal));
  require(longer && longer->width == format->width && longer->height == format->height &&
              longer->profile == format->profile && longer->level == format->level,
          "an octet behind the set changes nothing");
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  fuzz::Cutter input(data, size);
  const bool h265 = input.octet() & 1;
  const auto rest = input.rest();
  std::vector<std::uint8_t> nal(rest.begin(), rest.end());
  decode_h264_sps(nal);
  decode_h265_sps(nal);
  if (nal.empty()) return 0;
  if (h265) {
    nal[0] = h265_sps_type << 1;
    check_set(std::move(nal), decode_h265_sps);
  } else {
    nal[0] = 0x67;
    check_set(std::move(nal), decode_h264_sps);
  }
  return 0;
}
