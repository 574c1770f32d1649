// Generic netlink, as little as the ethtool family needs (Linux Documentation/networking/ethtool-netlink).
#pragma once

#include "probes/fault.hpp"

#include <chrono>
#include <cstdint>
#include <map>
#include <optional>
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
std::uint64_t u64_of(std::span<const std::uint8_t> attribute);  // 0 when it is too short
std::uint8_t u8_of(std::span<const std::uint8_t> attribute);
std::string text_of(std::span<const std::uint8_t> attribute);
// Appends an attribute, padded; nested ones carry NLA_F_NESTED in their type.
void put_attribute(std::vector<std::uint8_t>& out, std::uint16_t type, const void* data, std::size_t length);

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
  // The same with further attributes behind the header, and the answer's in order, since some repeat.
  using Listed = std::vector<std::pair<std::uint16_t, std::span<const std::uint8_t>>>;
  Outcome<Listed> ask_list(std::uint8_t command, const std::string& interface, std::span<const std::uint8_t> more);
  // Asks for something to be done; answers when the kernel has taken the order. Needs CAP_NET_ADMIN: else kind refused.
  Outcome<void> order(std::uint8_t command, const std::string& interface);
  // Joins the ethtool family's notifications.
  Outcome<void> listen();
  // The next notification `command`, its attributes; none when none came in `limit`.
  Outcome<std::optional<Listed>> next(std::uint8_t command, std::chrono::milliseconds limit);

 private:
  Outcome<std::span<const std::uint8_t>> send(std::uint8_t command, std::uint16_t flags, const std::string& interface,
                                              std::span<const std::uint8_t> more);
  Outcome<std::span<const std::uint8_t>> exchange(std::vector<std::uint8_t> request, const std::string& where);
  int socket_ = -1;
  std::uint16_t family_ = 0;
  std::uint32_t monitor_group_ = 0;
  std::uint32_t sequence_ = 0;
  std::vector<std::uint8_t> buffer_;
};

}  // namespace tallywire::link
