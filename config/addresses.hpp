// Whether a text is an address. Addresses stay texts in the design; rooms that speak on the wire parse them.
#pragma once

#include <string>

namespace tallywire::config {

bool is_ip_address(const std::string& text);        // IPv4 or IPv6, numeric
bool is_hardware_address(const std::string& text);  // six pairs of lower-case hexadecimal digits with colons

}  // namespace tallywire::config
