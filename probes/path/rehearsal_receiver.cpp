#include "probes/path/rehearsal_receiver.hpp"

#include "probes/path/rehearsal_packets.hpp"
#include "probes/stream/meter.hpp"
#include "probes/stream/rate_windows.hpp"

#include <arpa/inet.h>
#include <linux/sock_diag.h>
#include <nlohmann/json.hpp>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstring>
#include <mutex>
#include <thread>

#ifndef SO_MEMINFO
#define SO_MEMINFO 55
#endif

namespace tallywire::path {
namespace {

constexpr int look_for_stop_ms = 20;
constexpr std::size_t most_at_once = 64, largest_packet = 2048;
constexpr int wanted_buffer_octets = 32 * 1024 * 1024;

stream::MeterSettings settings_of(bool ipv6) {
  stream::MeterSettings out;
  out.codec = stream::Codec::h264;
  out.encoding_name = "H264";
  out.clock_hz = rehearsal_clock_hz;
  out.wrapping.ipv6 = ipv6;
  return out;
}

// One stream of a step.
class Reception {
 public:
  explicit Reception(bool ipv6) : meter_(settings_of(ipv6)) {}

  void add(const wire::RtpPacket& packet, wire::Octets octets, const std::optional<PacketStamp>& stamp, SystemTime when) {
    const bool is_sets = !packet.payload.empty() && (packet.payload[0] & 0x1f) == 24;  // STAP-A
    ++received_;
    key_packets_ += stamp ? stamp->key : is_sets;
    payload_octets_ += static_cast<double>(packet.payload.size());
    if (any_ && !first_lost_s_ && stamp && static_cast<std::int16_t>(packet.sequence - next_) > 0) first_lost_s_ = stamp->due_us / 1e6;
    if (!any_ && packet.sequence != 0 && stamp) first_lost_s_ = stamp->due_us / 1e6;
    next_ = static_cast<std::uint16_t>(packet.sequence + 1);
    any_ = true;
    if (stamp) {
      const double delay_us = static_cast<double>(when.time_since_epoch().count()) / 1000 - stamp->due_us;
      least_us_ = least_us_ ? std::min(*least_us_, delay_us) : delay_us;
      most_us_ = most_us_ ? std::max(*most_us_, delay_us) : delay_us;
    }
    meter_.add(octets, when);
  }

  ReceivedStream report() const {
    ReceivedStream out;
    if (!any_) return out;
    const auto metered = meter_.report();
    out.duplicates = static_cast<std::uint64_t>(metered.duplicate_packets.value_or(0));
    out.packets = received_ - std::min(received_, out.duplicates);
    out.key_packets = key_packets_;
    out.payload_octets = payload_octets_;
    out.wire_octets = meter_.wire_octets_in_all();
    out.first_lost_s = first_lost_s_;
    if (least_us_) out.latest_ms = (*most_us_ - *least_us_) / 1000;
    out.codec = metered.codec;
    out.frame_rate_hz = metered.frame_rate_hz;
    out.gop_frames = metered.gop_frames;
    out.payload_bps = metered.payload_bps;
    out.wire_bps = metered.wire_bps;
    out.jitter_ms = metered.jitter_ms;
    return out;
  }

 private:
  stream::Meter meter_;
  std::uint64_t received_ = 0, key_packets_ = 0;
  double payload_octets_ = 0;
  std::optional<double> first_lost_s_, least_us_, most_us_;
  std::uint16_t next_ = 0;
  bool any_ = false;
};

union Address {
  sockaddr any;
  sockaddr_in four;
  sockaddr_in6 six;
};

bool is_same_host(const Address& a, const Address& b) {
  if (a.any.sa_family != b.any.sa_family) return false;
  if (a.any.sa_family == AF_INET) return a.four.sin_addr.s_addr == b.four.sin_addr.s_addr;
  return std::memcmp(&a.six.sin6_addr, &b.six.sin6_addr, sizeof a.six.sin6_addr) == 0;
}

bool read_address(const std::string& text, Address& out) {
  out = {};
  if (::inet_pton(AF_INET, text.c_str(), &out.four.sin_addr) == 1)
    out.four.sin_family = AF_INET;
  else if (::inet_pton(AF_INET6, text.c_str(), &out.six.sin6_addr) == 1)
    out.six.sin6_family = AF_INET6;
  else
    return false;
  return true;
}

SystemTime arrival_of(msghdr& header) {
  for (auto* c = CMSG_FIRSTHDR(&header); c != nullptr; c = CMSG_NXTHDR(&header, c))
    if (c->cmsg_level == SOL_SOCKET && c->cmsg_type == SCM_TIMESTAMPNS) {
      timespec at{};
      std::memcpy(&at, CMSG_DATA(c), sizeof at);
      return SystemTime(std::chrono::seconds(at.tv_sec) + std::chrono::nanoseconds(at.tv_nsec));
    }
  return now_utc();
}

}  // namespace

struct RehearsalReceiver::State {
  ~State() {
    if (thread.joinable()) {
      thread.request_stop();
      thread.join();
    }
    if (fd >= 0) ::close(fd);
  }

  void run(const std::stop_token& stop) {
    struct Slot {
      std::array<std::uint8_t, largest_packet> octets;
      std::array<std::uint8_t, 128> control;
      Address from;
      iovec vector;
    };
    std::vector<Slot> slots(most_at_once);
    std::vector<mmsghdr> messages(most_at_once);
    while (!stop.stop_requested()) {
      for (std::size_t i = 0; i < most_at_once; ++i) {
        slots[i].vector = {slots[i].octets.data(), largest_packet};
        auto& header = messages[i].msg_hdr;
        header = {};
        header.msg_name = &slots[i].from;
        header.msg_namelen = sizeof slots[i].from;
        header.msg_iov = &slots[i].vector;
        header.msg_iovlen = 1;
        header.msg_control = slots[i].control.data();
        header.msg_controllen = slots[i].control.size();
      }
      const int count = ::recvmmsg(fd, messages.data(), most_at_once, MSG_DONTWAIT, nullptr);
      if (count <= 0) {
        pollfd wait{fd, POLLIN, 0};
        ::poll(&wait, 1, look_for_stop_ms);
        continue;
      }
      const std::lock_guard lock(mutex);
      for (std::size_t i = 0; i < static_cast<std::size_t>(count); ++i) {
        const wire::Octets octets(slots[i].octets.data(), std::min<std::size_t>(messages[i].msg_len, largest_packet));
        take(octets, slots[i].from, arrival_of(messages[i].msg_hdr));
      }
    }
  }

  // Under the lock.
  void take(wire::Octets octets, const Address& from, SystemTime when) {
    const auto packet = is_same_host(from, peer) ? wire::decode_rtp(octets) : std::nullopt;
    const std::uint32_t index = packet ? packet->ssrc - first_ssrc : 0;
    if (!packet || index >= receptions.size() || packet->payload_type != rehearsal_payload_type || !running) {
      ++foreign;
      return;
    }
    const auto stamp = read_stamp(packet->payload);
    if (stamp && stamp->step != step) {
      ++foreign;
      return;
    }
    ++packets;
    stream::Wrapping wrapping;
    wrapping.ipv6 = peer.any.sa_family == AF_INET6;
    all.add(when.time_since_epoch().count(), static_cast<std::uint32_t>(stream::wire_octets(octets.size(), wrapping)));
    receptions[index].add(*packet, octets, stamp, when);
  }

  std::uint64_t dropped_by_kernel() const {
    std::array<std::uint32_t, SK_MEMINFO_VARS> info{};
    socklen_t length = sizeof info;
    return ::getsockopt(fd, SOL_SOCKET, SO_MEMINFO, info.data(), &length) == 0 ? info[SK_MEMINFO_DROPS] : 0;
  }

  int fd = -1;
  Address peer{};
  std::uint32_t first_ssrc = 0;
  std::size_t streams = 0;

  mutable std::mutex mutex;
  bool running = false;
  std::uint8_t step = 0;
  std::uint64_t packets = 0, foreign = 0, dropped_before = 0;
  std::vector<Reception> receptions;
  stream::RateWindows all;
  std::jthread thread;
};

RehearsalReceiver::RehearsalReceiver(std::unique_ptr<State> state) : state_(std::move(state)) {}
RehearsalReceiver::~RehearsalReceiver() = default;

Outcome<std::unique_ptr<RehearsalReceiver>> RehearsalReceiver::open(const std::string& address, const std::string& peer, std::size_t streams,
                                                                    std::uint32_t first_ssrc) {
  auto state = std::make_unique<State>();
  Address own{};
  if (!read_address(address, own) || !read_address(peer, state->peer))
    return Fault{FaultKind::system, "made-up streams cannot be received: no IP address", address + ", " + peer, ""};
  state->first_ssrc = first_ssrc;
  state->streams = streams;
  state->fd = ::socket(own.any.sa_family, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
  if (state->fd < 0 || ::bind(state->fd, &own.any, sizeof own) != 0)
    return Fault{FaultKind::system, std::string("made-up streams cannot be received: ") + std::strerror(errno), address, ""};
  const int yes = 1;
  if (::setsockopt(state->fd, SOL_SOCKET, SO_RCVBUFFORCE, &wanted_buffer_octets, sizeof wanted_buffer_octets) != 0)
    ::setsockopt(state->fd, SOL_SOCKET, SO_RCVBUF, &wanted_buffer_octets, sizeof wanted_buffer_octets);
  ::setsockopt(state->fd, SOL_SOCKET, SO_TIMESTAMPNS, &yes, sizeof yes);
  auto* raw = state.get();
  state->thread = std::jthread([raw](const std::stop_token& stop) { raw->run(stop); });
  return std::unique_ptr<RehearsalReceiver>(new RehearsalReceiver(std::move(state)));
}

std::uint16_t RehearsalReceiver::udp_port() const {
  Address own{};
  socklen_t length = sizeof own;
  ::getsockname(state_->fd, &own.any, &length);
  return ntohs(own.any.sa_family == AF_INET6 ? own.six.sin6_port : own.four.sin_port);
}

std::size_t RehearsalReceiver::buffer_octets() const {
  int octets = 0;
  socklen_t length = sizeof octets;
  ::getsockopt(state_->fd, SOL_SOCKET, SO_RCVBUF, &octets, &length);
  return static_cast<std::size_t>(std::max(octets, 0));
}

void RehearsalReceiver::begin(std::uint8_t step) {
  std::vector<Reception> fresh(state_->streams, Reception(state_->peer.any.sa_family == AF_INET6));
  const std::lock_guard lock(state_->mutex);
  state_->receptions = std::move(fresh);
  state_->all = {};
  state_->step = step;
  state_->packets = state_->foreign = 0;
  state_->dropped_before = state_->dropped_by_kernel();
  state_->running = true;
}

std::uint64_t RehearsalReceiver::packets() const {
  const std::lock_guard lock(state_->mutex);
  return state_->packets;
}

RehearsalReceived RehearsalReceiver::report() const {
  const std::lock_guard lock(state_->mutex);
  RehearsalReceived out;
  for (const auto& reception : state_->receptions) out.streams.push_back(reception.report());
  out.own_dropped_packets = state_->dropped_by_kernel() - state_->dropped_before;
  out.foreign_packets = state_->foreign;
  out.busiest_bps = state_->all.peak_bps(100);
  return out;
}

void to_json(nlohmann::json& out, const ReceivedStream& s) {
  out = {{"packets", s.packets}, {"key_packets", s.key_packets}, {"duplicates", s.duplicates}, {"payload", s.payload_octets}, {"wire", s.wire_octets}};
  const auto put = [&out](const char* key, const auto& value) {
    if (value) out[key] = *value;
  };
  put("first_lost_s", s.first_lost_s);
  put("latest_ms", s.latest_ms);
  put("codec", s.codec);
  put("frame_rate_hz", s.frame_rate_hz);
  put("gop_frames", s.gop_frames);
  put("payload_bps", s.payload_bps);
  put("wire_bps", s.wire_bps);
  put("jitter_ms", s.jitter_ms);
}

void from_json(const nlohmann::json& in, ReceivedStream& s) {
  // By reference: a negative number or one with a fraction is refused, where get() would convert it.
  using Count = nlohmann::json::number_unsigned_t;
  s.packets = in.at("packets").get_ref<const Count&>();
  s.key_packets = in.at("key_packets").get_ref<const Count&>();
  s.duplicates = in.at("duplicates").get_ref<const Count&>();
  s.payload_octets = in.at("payload").get<double>();
  s.wire_octets = in.at("wire").get<double>();
  if (const auto at = in.find("codec"); at != in.end()) s.codec = at->get<std::string>();
  for (auto [key, field] : {std::pair{"first_lost_s", &s.first_lost_s}, std::pair{"latest_ms", &s.latest_ms}, std::pair{"frame_rate_hz", &s.frame_rate_hz},
                            std::pair{"gop_frames", &s.gop_frames}, std::pair{"payload_bps", &s.payload_bps}, std::pair{"wire_bps", &s.wire_bps},
                            std::pair{"jitter_ms", &s.jitter_ms}})
    if (const auto at = in.find(key); at != in.end()) *field = at->get<double>();
}

}  // namespace tallywire::path
