// An SD card's own word of its speed: the SD Status register (SSR, 512 bits), as Linux shows it in /sys/block/mmcblkN/device/ssr:
// 128 hexadecimal digits, bit 511 first. SD Association, Physical Layer Simplified Specification 6.00, 4.10.2. Pure.
#pragma once

#include <optional>
#include <string>
#include <string_view>

namespace tallywire::volume {

struct SdStatus {
  std::string speed_class;        // "C2" … "C10"; empty: class 0 or reserved
  std::string uhs_speed_grade;    // "U1", "U3"
  std::string video_speed_class;  // "V6" … "V90"
  std::string application_class;  // "A1", "A2"
  // The class that promises the highest rate; empty when none promises any.
  std::string strongest() const;
};

// None for anything but 128 hexadecimal digits, and for a register that is all zeros: that card was not asked.
std::optional<SdStatus> parse_sd_status(std::string_view text);

// Least sequential write rate that a speed class promises, under the conditions of its standard; none for an unknown class.
std::optional<double> class_write_bytes_per_s(const std::string& speed_class);

}  // namespace tallywire::volume
