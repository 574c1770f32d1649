#include "probes/tap/capture_handle.hpp"

#include <net/if.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cstring>

namespace tallywire::tap {
namespace {

constexpr int snap_octets = 262144;                   // whole frames, also those that an offloading card has joined
constexpr int buffer_octets = 64 * 1024 * 1024;       // for each thread: half a second of 1 Gbit/s
constexpr int block_age_ms = 20;                      // how old what is not full may get before it is handed over

}  // namespace

Fault capture_fault(const std::string& interface, const std::string& what) {
  return {FaultKind::system, "the interface cannot be tapped: " + what, interface,
          "check the name with `ip link`; run as root or with the capability CAP_NET_RAW"};
}

Outcome<Capture> open_capture(const std::string& interface) {
  char text[PCAP_ERRBUF_SIZE] = {};
  Capture out(pcap_create(interface.c_str(), text));
  if (!out) return capture_fault(interface, text);
  pcap_set_snaplen(out.get(), snap_octets);
  pcap_set_promisc(out.get(), 1);
  pcap_set_timeout(out.get(), block_age_ms);
  pcap_set_buffer_size(out.get(), buffer_octets);
  pcap_set_tstamp_precision(out.get(), PCAP_TSTAMP_PRECISION_NANO);
  if (pcap_activate(out.get()) < 0) return capture_fault(interface, pcap_geterr(out.get()));
  if (pcap_setnonblock(out.get(), 1, text) != 0) return capture_fault(interface, text);
  return out;
}

// Whether the interface is there and up; why not, for a person.
std::string why_away(const std::string& interface) {
  const int any = ::socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC, 0);
  ifreq request{};
  std::strncpy(request.ifr_name, interface.c_str(), IFNAMSIZ - 1);
  const bool there = any >= 0 && ::ioctl(any, SIOCGIFFLAGS, &request) == 0;
  if (any >= 0) ::close(any);
  if (!there) return "there is no such interface any more";
  if (!(request.ifr_flags & IFF_UP)) return "the interface is down";
  return request.ifr_flags & IFF_RUNNING ? "" : "the interface has no link";
}

}  // namespace tallywire::tap
