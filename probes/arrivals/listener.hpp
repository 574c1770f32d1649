// Hears who speaks on an interface: ARP and LLDP, filtered in the kernel, captured on a thread of its own.
// A capture file comes in by the same door. Callbacks run on the capture thread; the owner posts them on.
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"
#include "probes/wire/arp.hpp"
#include "probes/wire/lldp.hpp"

#include <atomic>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <thread>
#include <vector>

struct pcap;

namespace tallywire::arrivals {

struct Sighting {
  wire::MacAddress source;
  std::vector<std::uint16_t> vlans;
  std::optional<wire::ArpPacket> arp;
  std::optional<wire::LldpNeighbour> lldp;
  SystemTime when{};  // stamped where the frame was caught
};

enum class ListenerState { listening, down, gone };

class Listener {
 public:
  using OnSighting = std::function<void(const Sighting&)>;
  using OnState = std::function<void(ListenerState, const std::string& note)>;

  // Opens the interface, or answers why it cannot. Goes on when the interface goes down or away, and picks
  // it up again; each change is told.
  static Outcome<std::unique_ptr<Listener>> open(const std::string& interface, OnSighting on_sighting,
                                                 OnState on_state);
  // Every sighting of a capture file, in order, on this thread. A file damaged in the middle is read up to
  // the damage and then answers with a Fault.
  static Outcome<std::uint64_t> read_file(const std::string& path, const OnSighting& on_sighting);

  ~Listener();
  Listener(const Listener&) = delete;
  Listener& operator=(const Listener&) = delete;

 private:
  Listener(std::string interface, OnSighting on_sighting, OnState on_state);
  void run();
  void listen();

  std::string interface_;
  OnSighting on_sighting_;
  OnState on_state_;
  pcap* capture_ = nullptr;
  int wake_ = -1;  // eventfd that ends the thread
  std::thread thread_;
};

// One frame as the listener sees it; none when it is neither ARP nor LLDP.
std::optional<Sighting> sighting_of(wire::Octets frame, SystemTime when);

}  // namespace tallywire::arrivals
