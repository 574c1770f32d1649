// Generic netlink, as little as the ethtool family needs (Linux Documentation/networking/ethtool-netlink).
#pragma once

#include "probes/fault.hpp"

#include <cstdint>
#include <map>
#include <span>
#include <string>
#include <vector>

namespace tallywire::link {

// Attributes of one message, by type; nested ones are parsed in turn by the caller.
using Attributes = std::map<std::uint16_t, std::span<const std::uint8_t>>;

// Attributes whose length does not fit end the walk: what stood before is kept.
Attributes read_attributes(std::span<const std::uint8_t> octets);
// Nested attributes that repeat a type, in order.
std::vector<std::pair<std::uint16_t, std::span<const std::uint8_t>>> list_attributes(std::span<const std::uint8_t> octets);

std::uint32_t u32_of(std::span<const std::uint8_t> attribute);  // 0 when it is too short
std::uint8_t u8_of(std::span<const std::uint8_t> attribute);
std::string text_of(std::span<const std::uint8_t> attribute);

class EthtoolNetlink {
 public:
  EthtoolNetlink() = default;
  ~EthtoolNetlink();
  EthtoolNetlink(const EthtoolNetlink&) = delete;
  EthtoolNetlink& operator=(const EthtoolNetlink&) = delete;

  Outcome<void> open();
  // Asks `command` (ETHTOOL_MSG_…_GET) of one interface; the header attribute is number 1 in all of them. The
  // answer's attributes are views into a buffer that the next call overwrites. Waits at most one second.
  Outcome<Attributes> ask(std::uint8_t command, const std::string& interface);

 private:
  Outcome<std::span<const std::uint8_t>> exchange(std::vector<std::uint8_t> request, const std::string& where);
  int socket_ = -1;
  std::uint16_t family_ = 0;
  std::uint32_t sequence_ = 0;
  std::vector<std::uint8_t> buffer_;
};

}  // namespace tallywire::link
