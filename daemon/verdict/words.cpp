#include "daemon/verdict/words.hpp"

#include "probes/reading.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <iterator>

namespace tallywire::verdict {
namespace {

std::string figure(double value, const char* unit, const char* format = "%.4g %s") {
  char text[64];
  std::snprintf(text, sizeof text, format, value, unit);
  return text;
}

std::string scaled(double value, const std::array<const char*, 5>& units) {
  std::size_t step = 0;
  while (std::abs(value) >= 999.95 && step + 1 < units.size()) {
    value /= 1000;
    ++step;
  }
  return figure(value, units[step]);
}

struct Unit {
  const char* ending;
  std::string (*speak)(double);
};

// The endings that quantities have, longest first where one ends in another.
const Unit units[] = {
    {"_bytes_per_s", spoken_byte_rate},
    {"_bps", spoken_bit_rate},
    {"_bytes", spoken_bytes},
    {"_bps_100ms", spoken_bit_rate},
    {"frame_rate_hz", [](double v) { return figure(v, "frames/s"); }},
    {"_hz", [](double v) { return figure(v, "Hz"); }},
    {"_ratio", [](double v) { return figure(v * 100, "%"); }},
    {"_ms", [](double v) { return figure(v, "ms"); }},
    {"_s", spoken_duration},
    {"_px", [](double v) { return figure(v, "pixels", "%.0f %s"); }},
    {"_w", [](double v) { return figure(v, "W"); }},
    {"_days", [](double v) { return figure(v, "days"); }},
    {"_packets", [](double v) { return figure(v, "packets", "%.0f %s"); }},
    {"_frames", [](double v) { return figure(v, "frames"); }},
};

bool ends_with(const std::string& text, const std::string& ending) {
  return text.size() >= ending.size() &&
         text.compare(text.size() - ending.size(), ending.size(), ending) == 0;
}

}  // namespace

std::string spoken_bit_rate(double bps) {
  return scaled(bps, {"bit/s", "kbit/s", "Mbit/s", "Gbit/s", "Tbit/s"});
}

std::string spoken_byte_rate(double bytes_per_s) {
  return scaled(bytes_per_s, {"B/s", "kB/s", "MB/s", "GB/s", "TB/s"});
}

std::string spoken_bytes(double bytes) { return scaled(bytes, {"B", "kB", "MB", "GB", "TB"}); }

std::string spoken_bytes_twice(double bytes) {
  static constexpr const char* prefixes[] = {"KiB", "MiB", "GiB", "TiB"};
  if (bytes < 1024) return spoken_bytes(bytes);
  double scaled = bytes / 1024;
  std::size_t at = 0;
  while (scaled >= 1024 && at + 1 < std::size(prefixes)) {
    scaled /= 1024;
    ++at;
  }
  return spoken_bytes(bytes) + " (" + figure(scaled, prefixes[at], "%.4g %s") + ")";
}

std::string spoken_duration(double seconds) {
  const char* sign = seconds < 0 ? "-" : "";
  const double size = std::abs(seconds);
  if (size < 60) return sign + figure(size, "s", "%.3g %s");
  const auto whole = static_cast<long long>(std::llround(size));
  char text[64];
  if (whole < 3600)
    std::snprintf(text, sizeof text, "%s%lld min %lld s", sign, whole / 60, whole % 60);
  else
    std::snprintf(text, sizeof text, "%s%lld h %lld min", sign, whole / 3600, whole / 60 % 60);
  return text;
}

std::string spoken_value(const std::string& quantity, const nlohmann::json& value) {
  if (value.is_null()) return "unread";
  if (value.is_string()) return value.get<std::string>();
  if (!value.is_number()) return json_line(value);
  for (const auto& unit : units)
    if (ends_with(quantity, unit.ending)) return unit.speak(value.get<double>());
  if (value.is_number_integer()) return value.dump();
  return figure(value.get<double>(), "", "%.6g%s");
}

std::string spoken_quantity(const std::string& quantity) {
  static const char* const endings[] = {"_bytes_per_s", "_bps", "_bytes", "_hz", "_ratio", "_ms",
                                        "_px", "_w", "_days", "_s"};
  std::string out = quantity;
  if (ends_with(out, "_bps_100ms")) out = "peak in 100 ms";
  for (const char* ending : endings)
    if (ends_with(out, ending)) {
      out.resize(out.size() - std::string(ending).size());
      break;
    }
  std::replace(out.begin(), out.end(), '_', ' ');
  return out;
}

std::string spoken_subject(const std::string& subject) {
  std::string out;
  std::size_t begin = 0;
  for (int field = 0; begin <= subject.size(); ++field) {
    const auto end = std::min(subject.find('/', begin), subject.size());
    const auto part = subject.substr(begin, end - begin);
    // A camera needs no title; whatever else it is, is said.
    if (field == 0 && part != "camera" && !part.empty()) out = part + " ";
    if (field == 1) out += part;
    if (field > 1) out += (field % 2 == 0 ? ", " : " ") + part;
    begin = end + 1;
  }
  return out;
}

}  // namespace tallywire::verdict
