// What a unit says of itself by ONVIF: its clock first, without a login; then, with one, who it is.
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"
#include "probes/wire/digest.hpp"

#include <boost/asio/awaitable.hpp>

#include <chrono>
#include <map>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::camera {

struct CameraRequest {
  std::string address;
  std::uint16_t onvif_tcp_port = 80;
  std::optional<wire::Credentials> login;
  std::chrono::milliseconds answer_limit{5000};
};

struct CameraReport {
  std::optional<double> clock_offset_s;      // the unit's clock less ours
  double clock_uncertainty_s = 0;            // half the round trip and half of the clock's second
  std::optional<std::string> clock_source;   // "NTP", "manual"
  std::optional<std::string> manufacturer;
  std::optional<std::string> model;
  std::optional<std::string> firmware;
  std::optional<std::string> serial;
  SystemTime when{};
  std::map<std::string, std::string> unread;
};

// A Fault when nobody answers at all; what is refused or missing is unread in the report.
boost::asio::awaitable<Outcome<CameraReport>> ask_camera(CameraRequest request);

// clock_offset_s, serial, firmware, model
std::vector<Reading> to_readings(const CameraReport& report, const std::string& subject);

}  // namespace tallywire::camera
