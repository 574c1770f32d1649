// What a round measures with. The real ones (real_instruments.hpp) call the probes; tests script
// their own, so that a whole round runs without a network.
#pragma once

#include "config/design.hpp"
#include "probes/stop.hpp"
#include "probes/fault.hpp"
#include "probes/reading.hpp"

#include <boost/asio/awaitable.hpp>

#include <functional>
#include <map>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::round {

struct Measured {
  std::vector<Reading> readings;  // subjects as the design names them
  std::optional<Fault> fault;     // why all of them are unread, when they are
};

// One look at a switch.
struct SwitchLook {
  struct Port {
    std::vector<Reading> readings;  // subject is left empty: the round says whose port it is
    std::optional<double> in_bps;   // load in the time between two looks
    std::optional<double> out_bps;
    std::vector<std::string> bridging_neighbours;  // chassis ids of those that say by LLDP that they are bridges
  };
  std::vector<Reading> readings;               // of the switch itself; subject is left empty
  std::map<std::string, Port> ports;           // by name
  std::map<std::string, std::string> learnt;   // hardware address -> port name
  std::vector<std::string> own_addresses;      // hardware addresses of its ports
  std::optional<Fault> fault;
  std::string learnt_unread;                   // why no addresses are known; empty when they are
};

// This machine's own link, as the kernel tells; where it has several, the slowest speed and the greatest load.
struct OwnLink {
  std::optional<double> speed_bps;
  std::optional<double> in_bps, out_bps;
};

// How a stream is metered.
struct Metering {
  double seconds = 0;                             // from the first packet
  std::function<void(double wire_bps)> sends;     // what it sends on the wire on the mean so far, now and then; may be empty
};

class Instruments {
 public:
  virtual ~Instruments() = default;
  // Identity and clock of a unit; fault kinds unreachable and timed_out mean that nobody is there.
  virtual boost::asio::awaitable<Measured> ask_camera(const config::Camera& camera, Stop& stop) = 0;
  virtual boost::asio::awaitable<Measured> meter_stream(const config::Camera& camera,
                                                        const config::Head& head,
                                                        const config::Stream& stream,
                                                        Metering metering, Stop& stop) = 0;
  virtual boost::asio::awaitable<SwitchLook> look_at_switch(const config::Switch& sw, Stop& stop) = 0;
  virtual boost::asio::awaitable<OwnLink> look_at_own_link(Stop&) { co_return OwnLink(); }
  // At most `ceiling_bps` is sent.
  virtual boost::asio::awaitable<Measured> measure_path(const config::FarEndAt& far_end,
                                                        double ceiling_bps, double seconds,
                                                        Stop& stop) = 0;
  virtual boost::asio::awaitable<Measured> measure_volume(const config::Recorder& recorder,
                                                          const config::Volume& volume,
                                                          double seconds, Stop& stop) = 0;
  // What taps that are held read of the design's streams in their newest interval.
  virtual std::vector<Reading> tapped() { return {}; }
};

}  // namespace tallywire::round
