// decode_dhcp (RFC 2131, 2132, 3046, 3396, 4702).
#include "probes/wire/dhcp.hpp"
#include "tests/fuzz/texts.hpp"

using namespace tallywire;
using namespace tallywire::wire;
using fuzz::require;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const auto found = decode_dhcp({data, size});
  if (!found) return 0;
  require(size >= 240, "no message without its fixed fields");
  const auto kind = static_cast<int>(found->kind);
  require(kind >= 1 && kind <= 8 && std::string(name_of(found->kind)) != "unknown", "one of the eight kinds (RFC 2132 §9.6)");
  for (const auto* text : {&found->host_name, &found->full_name, &found->vendor_class, &found->circuit_id, &found->remote_id})
    fuzz::check_text(*text, size);
  require(found->client_id.size() + found->asked_options.size() + 4 * found->routers.size() <= size, "no value without its octets");
  for (const auto& address : {found->client_address, found->your_address, found->relay_address, found->requested_address, found->server})
    require(address != Ipv4{}, "0.0.0.0 is no address");
  // What follows the options is padding (RFC 2132 §3.1).
  std::vector<std::uint8_t> padded(data, data + size);
  padded.resize(size + 20);
  require(decode_dhcp(padded) == found, "padding says nothing");
  return 0;
}
