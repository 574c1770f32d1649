#include "probes/arrivals/listener.hpp"

#include "probes/wire/ethernet.hpp"

#include <linux/if_packet.h>
#include <net/if.h>
#include <pcap/pcap.h>
#include <poll.h>
#include <sys/eventfd.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>

namespace tallywire::arrivals {
namespace {

// Tagged frames count as well: the kernel may hand the tag over beside the frame or within it.
constexpr const char* filter = "arp or ether proto 0x88cc or (vlan and (arp or ether proto 0x88cc))";
constexpr int snap_octets = 1600;             // a whole LLDP frame
constexpr int buffer_octets = 512 * 1024;     // ARP and LLDP only: plenty
constexpr int look_again_ms = 500;

Fault open_fault(const std::string& interface, const std::string& what) {
  return {FaultKind::system, "the interface cannot be listened to: " + what, interface,
          "check the name with `ip link`; run as root or with the capability CAP_NET_RAW"};
}

// A card passes up only the groups that somebody joined, and LLDP's frames go to groups of their own (IEEE 802.1AB
// table 7-1: nearest bridge, nearest non-TPMR bridge, nearest customer bridge). Answers errno, 0 when joined. They are
// left with the socket.
int join_lldp(int socket, const std::string& interface) {
  for (const int last : {0x0e, 0x03, 0x00}) {
    const std::uint8_t group[] = {0x01, 0x80, 0xc2, 0x00, 0x00, static_cast<std::uint8_t>(last)};
    packet_mreq join{};
    join.mr_ifindex = static_cast<int>(if_nametoindex(interface.c_str()));
    join.mr_type = PACKET_MR_MULTICAST;
    join.mr_alen = sizeof group;
    std::copy(std::begin(group), std::end(group), join.mr_address);
    if (::setsockopt(socket, SOL_PACKET, PACKET_ADD_MEMBERSHIP, &join, sizeof join) != 0) return errno;
  }
  return 0;
}

Outcome<pcap_t*> open_capture(const std::string& interface) {
  char text[PCAP_ERRBUF_SIZE] = {};
  pcap_t* capture = pcap_create(interface.c_str(), text);
  if (!capture) return open_fault(interface, text);
  pcap_set_snaplen(capture, snap_octets);
  pcap_set_promisc(capture, 0);
  pcap_set_immediate_mode(capture, 1);
  pcap_set_buffer_size(capture, buffer_octets);
  pcap_set_tstamp_precision(capture, PCAP_TSTAMP_PRECISION_NANO);
  const auto give_up = [&](const std::string& what) {
    pcap_close(capture);
    return open_fault(interface, what);
  };
  if (pcap_activate(capture) < 0) return give_up(pcap_geterr(capture));
  bpf_program program{};
  if (pcap_compile(capture, &program, filter, 1, PCAP_NETMASK_UNKNOWN) != 0) return give_up(pcap_geterr(capture));
  const int set = pcap_setfilter(capture, &program);
  pcap_freecode(&program);
  if (set != 0) return give_up(pcap_geterr(capture));
  // What this machine sends itself says nothing of the wire.
  if (pcap_setdirection(capture, PCAP_D_IN) != 0) return give_up(pcap_geterr(capture));
  if (const int failed = join_lldp(pcap_fileno(capture), interface)) return give_up(std::strerror(failed));
  pcap_setnonblock(capture, 1, text);
  return capture;
}

SystemTime time_of(const pcap_pkthdr& head, bool nanoseconds) {
  return SystemTime(std::chrono::seconds(head.ts.tv_sec) +
                    std::chrono::nanoseconds(nanoseconds ? head.ts.tv_usec : head.ts.tv_usec * 1000));
}

}  // namespace

namespace {

// Up and with a carrier, or not, or not there.
ListenerState state_of(const std::string& interface) {
  const int any = ::socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC, 0);
  ifreq request{};
  std::strncpy(request.ifr_name, interface.c_str(), IFNAMSIZ - 1);
  const bool there = any >= 0 && ::ioctl(any, SIOCGIFFLAGS, &request) == 0;
  if (any >= 0) ::close(any);
  if (!there) return ListenerState::gone;
  const bool usable = (request.ifr_flags & IFF_UP) && (request.ifr_flags & IFF_RUNNING);
  return usable ? ListenerState::listening : ListenerState::down;
}

}  // namespace

std::optional<Sighting> sighting_of(wire::Octets octets, SystemTime when) {
  const auto frame = wire::decode_ethernet(octets);
  if (!frame) return std::nullopt;
  Sighting out;
  out.source = frame->source;
  out.vlans = frame->vlans;
  out.when = when;
  if (frame->ether_type == wire::ether_type_arp) out.arp = wire::decode_arp(frame->payload);
  if (frame->ether_type == wire::ether_type_lldp) out.lldp = wire::decode_lldp(frame->payload);
  if (!out.arp && !out.lldp) return std::nullopt;
  return out;
}

Listener::Listener(std::string interface, OnSighting on_sighting, OnState on_state)
    : interface_(std::move(interface)), on_sighting_(std::move(on_sighting)), on_state_(std::move(on_state)) {}

Outcome<std::unique_ptr<Listener>> Listener::open(const std::string& interface, OnSighting on_sighting,
                                                  OnState on_state) {
  std::unique_ptr<Listener> out(new Listener(interface, std::move(on_sighting), std::move(on_state)));
  auto capture = open_capture(interface);
  if (!capture) return capture.error();
  out->capture_ = *capture;
  out->wake_ = eventfd(0, EFD_CLOEXEC);
  if (out->wake_ < 0) return open_fault(interface, std::strerror(errno));
  out->thread_ = std::thread([listener = out.get()] { listener->run(); });
  return out;
}

Listener::~Listener() {
  if (thread_.joinable()) {
    const std::uint64_t one = 1;
    [[maybe_unused]] const auto written = ::write(wake_, &one, sizeof one);
    thread_.join();
  }
  if (wake_ >= 0) ::close(wake_);
  if (capture_) pcap_close(capture_);
}

// Until the capture breaks, the interface loses its link, or the listener ends.
void Listener::listen() {
  for (;;) {
    pollfd waits[] = {{pcap_get_selectable_fd(capture_), POLLIN, 0}, {wake_, POLLIN, 0}};
    const int ready = ::poll(waits, 2, look_again_ms);
    if (waits[1].revents) return;
    // A pulled cable breaks no capture: without this look, its silence would pass for the units' silence.
    if (ready <= 0 && state_of(interface_) != ListenerState::listening) return;
    for (;;) {
      pcap_pkthdr* head = nullptr;
      const u_char* octets = nullptr;
      const int got = pcap_next_ex(capture_, &head, &octets);
      if (got == 0) break;
      if (got < 0) return;
      if (const auto seen = sighting_of({octets, head->caplen}, time_of(*head, true))) on_sighting_(*seen);
    }
  }
}

void Listener::run() {
  std::optional<ListenerState> told;
  const auto tell = [&](ListenerState state, const std::string& note) {
    if (told != state) on_state_(state, note);
    told = state;
  };
  pollfd ended{wake_, POLLIN, 0};
  for (;;) {
    auto state = state_of(interface_);
    if (state == ListenerState::listening && !capture_) {
      auto again = open_capture(interface_);
      if (again)
        capture_ = *again;
      else
        state = ListenerState::down;
    }
    if (state == ListenerState::listening) {
      tell(state, told ? "back" : "");
      listen();
    } else {
      tell(state, state == ListenerState::gone ? "there is no such interface any more" : "it has no link");
    }
    // Opened anew each time: an interface that comes back under its old name is another one.
    if (capture_) pcap_close(capture_);
    capture_ = nullptr;
    if (::poll(&ended, 1, look_again_ms) > 0) return;
  }
}

Outcome<std::uint64_t> Listener::read_file(const std::string& path, const OnSighting& on_sighting) {
  char text[PCAP_ERRBUF_SIZE] = {};
  pcap_t* capture = pcap_open_offline_with_tstamp_precision(path.c_str(), PCAP_TSTAMP_PRECISION_NANO, text);
  if (!capture)
    return Fault{FaultKind::bad_request, std::string("the capture cannot be read: ") + text, path,
                 "give a pcap or pcapng file"};
  if (pcap_datalink(capture) != DLT_EN10MB) {
    const char* kind = pcap_datalink_val_to_name(pcap_datalink(capture));
    pcap_close(capture);
    return Fault{FaultKind::unsupported, std::string("the capture holds no Ethernet frames but ") + (kind ? kind : "another kind"),
                 path, "capture on a network card, not on “any”"};
  }
  std::uint64_t frames = 0;
  pcap_pkthdr* head = nullptr;
  const u_char* octets = nullptr;
  int got = 0;
  while ((got = pcap_next_ex(capture, &head, &octets)) == 1) {
    ++frames;
    if (const auto seen = sighting_of({octets, head->caplen}, time_of(*head, true))) on_sighting(*seen);
  }
  const std::string damage = got == PCAP_ERROR ? pcap_geterr(capture) : "";
  pcap_close(capture);
  if (!damage.empty())
    return Fault{FaultKind::malformed, "the capture is damaged after " + std::to_string(frames) + " frames: " + damage,
                 path, "what stands before the damage was read"};
  return frames;
}

}  // namespace tallywire::arrivals
