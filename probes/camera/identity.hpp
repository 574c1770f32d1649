// What a unit says of itself by ONVIF: its clock first, without a login; then, with one when it wants one, who it is,
// which heads and streams it offers and how they are set.
#pragma once

#include "probes/camera/media.hpp"
#include "probes/camera/unit_session.hpp"
#include "probes/fault.hpp"
#include "probes/reading.hpp"
#include "probes/stop.hpp"

#include <boost/asio/awaitable.hpp>

#include <map>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::camera {

struct CameraReport {
  std::optional<double> clock_offset_s;      // the unit's clock less ours
  double clock_uncertainty_s = 0;            // half the round trip and half of the clock's second
  std::optional<std::string> clock_source;   // "NTP", "manual"
  std::optional<std::string> manufacturer;
  std::optional<std::string> model;
  std::optional<std::string> firmware;
  std::optional<std::string> serial;
  std::optional<bool> login_asked;           // before it told who it is
  std::optional<MediaReport> media;
  std::optional<Certificate> certificate;    // with HTTPS
  SystemTime when{};
  std::map<std::string, std::string> unread;  // field: reason; "media" for all of it
};

// A Fault when nobody answers at all; what is refused or missing is unread in the report. Takes at most
// `request.total_limit`; `stop` is looked at between questions, none of which takes longer than `answer_limit`.
boost::asio::awaitable<Outcome<CameraReport>> ask_camera(CameraRequest request, const Stop& stop);

// clock_offset_s, serial, firmware, model, heads (video sources); login ("asked", "not asked") when it told who it is; with HTTPS also certificate_sha256, certificate_not_after,
// certificate_self_signed ("yes", "no")
std::vector<Reading> to_readings(const CameraReport& report, const std::string& subject);

}  // namespace tallywire::camera
