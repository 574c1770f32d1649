#include "probes/arrivals/listener.hpp"

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

// What a unit says before anyone asks it. The kernel may hand a VLAN tag over beside the frame or within it; after the word
// "vlan" all that follows is looked for behind a tag. Listener reports stand behind a hop-by-hop header (RFC 3810 §5). Later fragments
// show no ports: they are let in, for a description at length comes in several (RFC 791 §3.2, RFC 8200 §4.5).
std::string filter() {
  const std::string said =
      "(arp or ether proto 0x88cc or (udp and (port 67 or port 68 or port 5353 or port 3702)) or "
      "(ip[9] = 17 and ip[6:2] & 0x1fff != 0) or (ip6[6] = 44 and ip6[40] = 17) or (ip6[6] = 58 and ip6[40] >= 130 and ip6[40] <= 143) or (ip6[6] = 0 and ip6[40] = 58))";
  return said + " or (vlan and (" + said + " or (vlan and " + said + ")))";
}

// A whole frame of Ethernet with its tags. No more: each place in the ring is as large, and a site that powers up at once fills
// it by number.
constexpr int snap_octets = 1600;
constexpr int buffer_octets = 4 * 1024 * 1024;
constexpr int look_again_ms = 500;

Fault open_fault(const std::string& interface, const std::string& what) {
  return {FaultKind::system, "the interface cannot be listened to: " + what, interface,
          "check the name with `ip link`; run as root or with the capability CAP_NET_RAW"};
}

// A card passes up only the groups that somebody joined. What units say goes to LLDP's groups, to those of mDNS, WS-Discovery and
// listener reports, and to the solicited-node group of every address (RFC 4291 §2.7.1): all of them are let in, the filter
// chooses. Answers errno, 0 when joined. It is left with the socket.
int join_all_groups(int socket, const std::string& interface) {
  packet_mreq join{};
  join.mr_ifindex = static_cast<int>(if_nametoindex(interface.c_str()));
  join.mr_type = PACKET_MR_ALLMULTI;
  return ::setsockopt(socket, SOL_PACKET, PACKET_ADD_MEMBERSHIP, &join, sizeof join) == 0 ? 0 : errno;
}

Outcome<pcap_t*> open_capture(const std::string& interface) {
  char text[PCAP_ERRBUF_SIZE] = {};
  pcap_t* capture = pcap_create(interface.c_str(), text);
  if (!capture) return open_fault(interface, text);
  pcap_set_snaplen(capture, snap_octets);
  pcap_set_promisc(capture, 1);  // else some cards drop VLAN tags that nobody configured
  pcap_set_immediate_mode(capture, 1);
  pcap_set_buffer_size(capture, buffer_octets);
  pcap_set_tstamp_precision(capture, PCAP_TSTAMP_PRECISION_NANO);
  const auto give_up = [&](const std::string& what) {
    pcap_close(capture);
    return open_fault(interface, what);
  };
  if (pcap_activate(capture) < 0) return give_up(pcap_geterr(capture));
  bpf_program program{};
  if (pcap_compile(capture, &program, filter().c_str(), 1, PCAP_NETMASK_UNKNOWN) != 0) return give_up(pcap_geterr(capture));
  const int set = pcap_setfilter(capture, &program);
  pcap_freecode(&program);
  if (set != 0) return give_up(pcap_geterr(capture));
  // What this machine sends itself says nothing of the wire.
  if (pcap_setdirection(capture, PCAP_D_IN) != 0) return give_up(pcap_geterr(capture));
  if (const int failed = join_all_groups(pcap_fileno(capture), interface)) return give_up(std::strerror(failed));
  pcap_setnonblock(capture, 1, text);
  return capture;
}

// tv_usec holds nanoseconds: that precision was asked for, and the packet socket always has it.
SystemTime time_of(const pcap_pkthdr& head) {
  return SystemTime(std::chrono::seconds(head.ts.tv_sec) + std::chrono::nanoseconds(head.ts.tv_usec));
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

Listener::Listener(std::string interface, OnSighting on_sighting, OnState on_state)
    : first_name_(interface), interface_(std::move(interface)), on_sighting_(std::move(on_sighting)), on_state_(std::move(on_state)) {}

Outcome<std::unique_ptr<Listener>> Listener::open(const std::string& interface, OnSighting on_sighting,
                                                  OnState on_state) {
  std::unique_ptr<Listener> out(new Listener(interface, std::move(on_sighting), std::move(on_state)));
  auto capture = open_capture(interface);
  if (!capture) return capture.error();
  out->capture_ = *capture;
  out->index_ = if_nametoindex(interface.c_str());
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
  close_capture();
}

// Until the capture breaks, something is to be told, or the listener ends. Without a carrier it goes on: what a unit says as soon as
// the link comes up is not missed.
Listener::Heard Listener::listen(ListenerState told) {
  auto looked = std::chrono::steady_clock::now();
  for (;;) {
    pollfd waits[] = {{pcap_get_selectable_fd(capture_), POLLIN, 0}, {wake_, POLLIN, 0}};
    ::poll(waits, 2, look_again_ms);
    if (waits[1].revents) return Heard::end;
    for (;;) {
      pcap_pkthdr* head = nullptr;
      const u_char* octets = nullptr;
      const int got = pcap_next_ex(capture_, &head, &octets);
      if (got == 0) break;
      if (got < 0) return Heard::broken;
      if (const auto seen = reader_.add({octets, head->caplen}, wire::LinkLayer::ethernet, time_of(*head))) on_sighting_(*seen);
    }
    // A pulled cable breaks no capture: without this look, its silence would pass for the units' silence.
    if (const auto now = std::chrono::steady_clock::now(); now - looked >= std::chrono::milliseconds(look_again_ms)) {
      looked = now;
      if (state_of(interface_) != told || if_nametoindex(interface_.c_str()) != index_) return Heard::news;
    }
  }
}

// The interface that is captured on still is there, under another name.
void Listener::follow_new_name() {
  char name[IF_NAMESIZE] = {};
  if (index_ != 0 && if_indextoname(index_, name)) interface_ = name;
}

void Listener::run() {
  std::optional<ListenerState> told;
  auto told_name = interface_;
  const auto tell = [&](ListenerState state, const std::string& note) {
    if (told != state) on_state_({state, interface_, note});
    told = state;
  };
  for (;;) {
    follow_new_name();
    if (interface_ != told_name) {
      told.reset();
      tell(ListenerState::listening, told_name + " is called " + interface_ + " now");
      told_name = interface_;
    }
    auto state = state_of(interface_);
    if (state == ListenerState::gone && interface_ != first_name_) {
      interface_ = told_name = first_name_;
      state = state_of(interface_);
    }
    // An interface that comes back under its old name is another one.
    if (capture_ && if_nametoindex(interface_.c_str()) != index_) close_capture();
    if (!capture_ && state != ListenerState::gone) {
      if (auto again = open_capture(interface_)) {
        capture_ = *again;
        index_ = if_nametoindex(interface_.c_str());
      } else {
        state = ListenerState::down;
      }
    }
    if (state == ListenerState::listening)
      tell(state, told ? "back" : "");
    else
      tell(state, state == ListenerState::gone ? "there is no such interface any more" : "it has no link");
    const auto heard = capture_ ? listen(state) : Heard::broken;
    if (heard == Heard::end) return;
    if (heard == Heard::news) continue;
    close_capture();
    pollfd ended{wake_, POLLIN, 0};
    if (::poll(&ended, 1, look_again_ms) > 0) return;
  }
}

void Listener::close_capture() {
  if (capture_) pcap_close(capture_);
  capture_ = nullptr;
}

}  // namespace tallywire::arrivals
