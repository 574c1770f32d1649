// What every probe returns: one measured number (or word), with its unit, when, how, over how long
// and how uncertain. A probe that could not measure returns the same reading with `unread` set;
// no default ever stands in for a measurement.
#pragma once

#include <nlohmann/json_fwd.hpp>

#include <chrono>
#include <cstdint>
#include <optional>
#include <string>
#include <variant>
#include <vector>

namespace tallywire {

using SystemTime = std::chrono::time_point<std::chrono::system_clock, std::chrono::nanoseconds>;
using SteadyTime = std::chrono::steady_clock::time_point;

using ReadingValue = std::variant<std::monostate, double, std::string>;

struct Reading {
  std::string subject;   // what was measured, as a path: "camera/gate-north/head/1/stream/main"
  std::string quantity;  // snake_case, ends in its unit: "frame_rate_hz"; words have none: "codec"
  ReadingValue value;    // monostate exactly when `unread` is not empty
  double uncertainty = 0;                // half width, in the unit of the quantity; 0: exact
  SystemTime when{};                     // end of the measurement
  std::chrono::nanoseconds over{0};      // how long it was measured; 0: a single look
  std::string method;                    // "RTP time stamps, 4 whole GOPs"
  std::string unread;                    // the reason, when it could not be measured

  bool is_read() const { return !std::holds_alternative<std::monostate>(value); }
  std::optional<double> number() const;
  std::optional<std::string> word() const;
};

Reading read_number(std::string subject, std::string quantity, double value, std::string method,
                    SystemTime when, std::chrono::nanoseconds over = {}, double uncertainty = 0);
Reading read_word(std::string subject, std::string quantity, std::string value, std::string method,
                  SystemTime when);
Reading unread(std::string subject, std::string quantity, std::string reason, SystemTime when);

// {"subject","quantity","value","uncertainty","when","over_s","method","unread"}; value is null
// when unread, unread is null when read; "when" as RFC 3339 in UTC with milliseconds.
void to_json(nlohmann::json& out, const Reading& reading);
void from_json(const nlohmann::json& in, Reading& reading);

// JSON on one line. Units and switches send what they like: octets that are no UTF-8 are written as U+FFFD, where
// the library's own dump() would throw.
std::string json_line(const nlohmann::json& value);

std::string to_rfc3339(SystemTime when);
// Throws std::invalid_argument on anything but YYYY-MM-DDThh:mm:ss[.fraction]Z.
SystemTime from_rfc3339(const std::string& text);
SystemTime now_utc();

}  // namespace tallywire
