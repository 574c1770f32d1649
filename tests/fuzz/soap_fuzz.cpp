// Every decoder of ONVIF answers (SOAP 1.2): a value or a Fault, in valid UTF-8, for any octets.
#include "probes/wire/onvif.hpp"
#include "probes/wire/onvif_media.hpp"
#include "tests/fuzz/fuzz.hpp"

#include <nlohmann/json.hpp>

#include <cmath>

using namespace tallywire;
using namespace tallywire::wire;
using fuzz::require;

namespace {

// dump() throws on octets that are no UTF-8: the judge is a library, not our own check.
void check_text(const std::string& text, std::size_t size) {
  require(text.size() <= 3 * size + 256, "no text of its own");
  try {
    static_cast<void>(nlohmann::json(text).dump());
  } catch (const nlohmann::json::exception&) {
    require(false, "texts are valid UTF-8");
  }
}

template <class Value>
bool check_fault(const Outcome<Value>& outcome, std::size_t size) {
  if (outcome.has_value()) return true;
  const auto& fault = outcome.error();
  require(fault.kind == FaultKind::malformed || fault.kind == FaultKind::refused || fault.kind == FaultKind::unsupported,
          "a fault of the unit's making");
  require(!fault.what.empty() && fault.where == "192.0.2.10:80", "a fault says what and where");
  check_text(fault.sentence(), size);
  return false;
}

template <class Number>
void check_number(const std::optional<Number>& number) {
  if (number) require(std::isfinite(static_cast<double>(*number)) && *number >= 0, "what is told is a number, not less than 0");
}

void check_profiles(const MediaProfiles& told, std::size_t size) {
  require(told.profiles.size() <= most_profiles, "no more profiles than the limit");
  require(told.left_off <= size, "no profile without its octets");
  for (const auto& profile : told.profiles) {
    const auto& encoder = profile.encoder;
    for (const auto* text : {&profile.token, &profile.name, &profile.video_source, &encoder.token, &encoder.codec,
                             &encoder.profile})
      check_text(*text, size);
    check_number(encoder.width_px);
    check_number(encoder.height_px);
    check_number(encoder.frame_rate_hz);
    check_number(encoder.bit_rate_bps);
    check_number(encoder.gop_frames);
    require(std::isfinite(encoder.frame_rate_uncertainty_hz) && encoder.frame_rate_uncertainty_hz >= 0, "an uncertainty");
  }
}

void check_media(std::string_view body, const std::string& where) {
  const auto size = body.size();
  for (const auto version : {MediaVersion::media1, MediaVersion::media2})
    if (const auto profiles = decode_profiles(version, body, where); check_fault(profiles, size))
      check_profiles(*profiles, size);
  if (const auto sources = decode_video_sources(body, where); check_fault(sources, size))
    for (const auto& token : *sources) check_text(token, size);
  if (const auto uri = decode_stream_uri(body, where); check_fault(uri, size)) check_text(*uri, size);
  if (const auto uri = decode_snapshot_uri(body, where); check_fault(uri, size)) check_text(*uri, size);
}

void check_services(const Outcome<UnitServices>& services, std::size_t size) {
  if (!check_fault(services, size)) return;
  check_text(services->media1_url, size);
  check_text(services->media2_url, size);
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const auto body = fuzz::text_of({data, size});
  const std::string where = "192.0.2.10:80";
  const auto time = decode_unit_time(body, where);
  // The years that decode_unit_time takes: 1900 to 2200.
  if (check_fault(time, size)) {
    const auto year = std::stoi(to_rfc3339(time->utc).substr(0, 4));
    require(year >= 1900 && year <= 2201, "a time of these centuries");
  }
  const auto information = decode_unit_information(body, where);
  if (check_fault(information, size))
    for (const auto* text : {&information->manufacturer, &information->model, &information->firmware,
                             &information->serial})
      check_text(*text, size);
  check_services(decode_services(body, where), size);
  check_services(decode_capabilities(body, where), size);
  check_media(body, where);
  static_cast<void>(asks_for_login(body));
  return 0;
}
