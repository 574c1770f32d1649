// Every decoder of ONVIF answers (SOAP 1.2): a value or a Fault, in valid UTF-8, for any octets.
#include "probes/wire/onvif.hpp"
#include "tests/fuzz/fuzz.hpp"

#include <nlohmann/json.hpp>

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
  return 0;
}
