// Asks by ARP who owns an address: few, counted, listed, and no faster than the stated rate. Always an ARP probe
// (RFC 5227 §1.1: sender address zero), which claims nothing: it needs no address on this machine, and one that
// changes meanwhile is never told wrongly. Call from one thread.
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"
#include "probes/wire/arp.hpp"

#include <cstdint>
#include <deque>
#include <string>
#include <vector>

namespace tallywire::arrivals {

struct Ask {
  SystemTime when{};
  std::string address;
};

class Asker {
 public:
  static constexpr double most_per_second = 100;
  static constexpr double most_at_once = 20;
  static constexpr std::size_t remembered = 1000;

  explicit Asker(std::string interface) : interface_(std::move(interface)) {}
  ~Asker();
  Asker(const Asker&) = delete;
  Asker& operator=(const Asker&) = delete;

  // Sends one request for each IPv4 address that the rate allows now; the others are answered as left over.
  // A Fault when the interface cannot be sent on; it is opened anew at the next call.
  Outcome<std::vector<std::string>> ask(const std::vector<std::string>& addresses, SystemTime now);
  const std::deque<Ask>& asked() const { return asked_; }
  std::uint64_t count() const { return count_; }

 private:
  Outcome<void> open();
  void close();

  std::string interface_;
  int socket_ = -1;
  int index_ = 0;
  wire::MacAddress own_;
  double tokens_ = most_at_once;
  SystemTime filled_{};
  std::deque<Ask> asked_;
  std::uint64_t count_ = 0;
};

// Hardware addresses of every interface of this machine, as text.
std::vector<std::string> own_hardware_addresses();

}  // namespace tallywire::arrivals
