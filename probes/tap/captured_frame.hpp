// One frame as a capture caught it, from a card or from a file: both come in by this door.
#pragma once

#include "probes/reading.hpp"
#include "probes/wire/datagram.hpp"
#include "probes/wire/octets.hpp"

#include <cstdint>

namespace tallywire::tap {

struct CapturedFrame {
  wire::Octets octets;                // as far as it was captured; a view into its source
  std::uint32_t original_octets = 0;  // its length on the wire, as the capture tells it; at least octets.size()
  wire::LinkLayer link = wire::LinkLayer::ethernet;
  SystemTime when{};                  // stamped where it was caught
};

// What a capture knows that it has lost itself.
struct CaptureLoss {
  std::uint64_t by_kernel = 0;     // frames: the reader was too slow (tp_drops; osdrop of an Interface Statistics Block)
  std::uint64_t by_interface = 0;  // frames: the card was too slow (rx_missed; ifdrop)
};

}  // namespace tallywire::tap
