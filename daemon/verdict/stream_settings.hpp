// Streams that are not as the design wants them: which setting of the encoder differs, and whether the unit says so itself or
// sends other than it says. Pure.
#pragma once

#include "daemon/verdict/findings.hpp"

#include <vector>

namespace tallywire::verdict {

// One finding a stream: of the one setting that differs (stream_other_codec, stream_other_size, stream_frame_rate, stream_gop,
// stream_bit_rate) or of all of them together (stream_set_otherwise). A bit rate below the design of a stream that sends too few
// frames follows from these. Streams that are as designed and not as their unit says: stream_not_as_told.
std::vector<Finding> find_stream_settings(const std::vector<Verdict>& verdicts, const std::vector<Reading>& readings, const config::Limits& limits);

}  // namespace tallywire::verdict
