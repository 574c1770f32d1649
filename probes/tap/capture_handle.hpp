// One packet capture of an interface, opened for a tap; and why an interface cannot be listened to.
#pragma once

#include "probes/fault.hpp"

#include <pcap/pcap.h>

#include <memory>
#include <string>

namespace tallywire::tap {

struct CaptureCloser {
  void operator()(pcap_t* capture) const { pcap_close(capture); }
};
using Capture = std::unique_ptr<pcap_t, CaptureCloser>;

// Promiscuous, whole frames, stamped in nanoseconds; does not block.
Outcome<Capture> open_capture(const std::string& interface);
// Whether the interface is there and up with a link: empty; else why not, for a person.
std::string why_away(const std::string& interface);
Fault capture_fault(const std::string& interface, const std::string& what);

}  // namespace tallywire::tap
