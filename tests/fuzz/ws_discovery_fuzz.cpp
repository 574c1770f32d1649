// decode_ws_discovery (WS-Discovery, April 2005; ONVIF's scopes).
#include "probes/wire/mac_address.hpp"
#include "probes/wire/ws_discovery.hpp"
#include "tests/fuzz/texts.hpp"

using namespace tallywire;
using namespace tallywire::wire;
using fuzz::require;

namespace {

void check_device(const WsDiscoveryDevice& device, std::size_t size) {
  for (const auto* text : {&device.endpoint, &device.name, &device.hardware, &device.serial, &device.hardware_address})
    fuzz::check_text(*text, size);
  fuzz::check_text(device.location, 3 * size);
  for (const auto* list : {&device.types, &device.scopes, &device.service_addresses}) {
    require(list->size() <= 256, "no more words than the limit");
    for (const auto& word : *list) {
      fuzz::check_text(word, size);
      require(word.find(' ') == std::string::npos, "words have no blanks");
    }
  }
  if (const auto address = decode_mac(device.hardware_address))
    require(address->text() == device.hardware_address, "a hardware address is written in one way");
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const auto found = decode_ws_discovery({data, size});
  if (found) {
    require(std::string(name_of(found->kind)) != "unknown", "one of the six kinds");
    require(found->devices.size() <= 64, "no more devices than the limit");
    const bool asks = found->kind == WsDiscoveryKind::probe || found->kind == WsDiscoveryKind::resolve;
    require(!asks || found->devices.empty(), "who asks tells of no device");
    fuzz::check_text(found->message_id, size);
    fuzz::check_text(found->relates_to, size);
    for (const auto& device : found->devices) check_device(device, size);
  }
  // The id of a probe of ours is text of ours; blanks around it are not kept.
  if (!found || found->message_id.find('&') != std::string::npos) return 0;
  const auto text = encode_ws_discovery_probe(found->message_id);
  const auto back = decode_ws_discovery({reinterpret_cast<const std::uint8_t*>(text.data()), text.size()});
  require(back && back->kind == WsDiscoveryKind::probe && back->message_id == found->message_id, "a probe comes back as it went");
  return 0;
}
