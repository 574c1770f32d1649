#include "config/addresses.hpp"

#include <arpa/inet.h>

namespace tallywire::config {

bool is_ip_address(const std::string& text) {
  unsigned char octets[16];
  return inet_pton(AF_INET, text.c_str(), octets) == 1 || inet_pton(AF_INET6, text.c_str(), octets) == 1;
}

bool is_hardware_address(const std::string& text) {
  if (text.size() != 17) return false;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const char c = text[i];
    const bool digit = (c >= '0' && c <= '9') || (c >= 'a' && c <= 'f');
    if (i % 3 == 2 ? c != ':' : !digit) return false;
  }
  return true;
}

}  // namespace tallywire::config
