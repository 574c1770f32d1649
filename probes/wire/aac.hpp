// AAC over RTP, payload "mpeg4-generic" (RFC 3640): the AU header section. Views end with the payload; any thread.
#pragma once

#include "probes/wire/octets.hpp"

#include <optional>
#include <string_view>

namespace tallywire::wire {

// Widths in bits of the fields of an AU header, from the fmtp (§4.1). All 0: there is no AU header section.
struct AuHeaderFormat {
  unsigned size_length = 0;         // sizeLength
  unsigned index_length = 0;        // indexLength
  unsigned index_delta_length = 0;  // indexDeltaLength
  unsigned cts_delta_length = 0;    // CTSDeltaLength
  unsigned dts_delta_length = 0;    // DTSDeltaLength
  bool random_access_indication = false;
  unsigned stream_state_length = 0;  // streamStateIndication
  std::size_t constant_size = 0;     // constantSize: octets of each access unit, instead of size_length

  // §3.2.1: the section is there when any field of it has a width.
  bool has_section() const {
    return size_length + index_length + index_delta_length + cts_delta_length + dts_delta_length +
               stream_state_length > 0 || random_access_indication;
  }
};

struct AccessUnits {
  unsigned count = 0;     // AU headers, or units of the constant size
  bool fragment = false;  // a single unit that is longer than the packet (§3.2.3.1)
};

// None when the section is malformed or the units do not fit; widths above 32 bits are refused. A format that
// tells no sizes (neither sizeLength nor constantSize) is one unit a packet (§4.1).
std::optional<AccessUnits> decode_access_units(Octets payload, const AuHeaderFormat& format);

}  // namespace tallywire::wire
