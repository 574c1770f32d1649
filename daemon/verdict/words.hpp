// Figures and verdicts as a person reads them. Units are written out.
#pragma once

#include <nlohmann/json_fwd.hpp>

#include <string>

namespace tallywire::verdict {

std::string spoken_bit_rate(double bps);             // "41.2 Mbit/s"
std::string spoken_byte_rate(double bytes_per_s);    // "12.5 MB/s"
std::string spoken_bytes(double bytes);              // "256 GB", decimal
std::string spoken_bytes_twice(double bytes);        // "48 TB (43.66 TiB)"
std::string spoken_duration(double seconds);         // "9 min 12 s"
// A value with the unit that its quantity's name ends in: ("frame_rate_hz", 25) -> "25 frames/s".
std::string spoken_value(const std::string& quantity, const nlohmann::json& value);
// "frame rate" of "frame_rate_hz".
std::string spoken_quantity(const std::string& quantity);
// "gate-north, head 1, stream main" of "camera/gate-north/head/1/stream/main".
std::string spoken_subject(const std::string& subject);

}  // namespace tallywire::verdict
