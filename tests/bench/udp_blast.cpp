// udp_blast IF [--pps 100000] [--octets 1400] [--streams 64] [--first 0] [--seconds 5]: RTP over UDP as raw frames out of an
// interface, to a MAC address that nobody has, as a mirror port gets them: the far side's IP does no work with them.
// Streams take turns; a stream's frame is 13 packets; `first` numbers them, so that two senders differ. Paced in bursts of
// at most 1 ms. sendmmsg: over a veth PACKET_TX_RING was no faster (0.94 to 1.00 million packets/s of 1400 octets beside
// 0.89 to 1.04). Prints what was really sent, as JSON: the rate asked for may be more than the machine gives.
#include "tests/bench/frame_octets.hpp"

#include <CLI/CLI.hpp>
#include <arpa/inet.h>
#include <linux/if_ether.h>
#include <linux/if_packet.h>
#include <net/if.h>
#include <nlohmann/json.hpp>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <cstdio>
#include <cstring>
#include <functional>
#include <stdexcept>
#include <string>
#include <system_error>
#include <thread>
#include <vector>

namespace {

using tallywire::bench::put, tallywire::bench::ip_checksum;

using Clock = std::chrono::steady_clock;
using namespace std::chrono_literals;
constexpr std::size_t headers = 14 + 20 + 8 + 12;
constexpr std::size_t slot_octets = 2048;
constexpr std::size_t most_burst = 256;
constexpr int frame_packets = 13;

struct Options {
  std::string interface;
  double pps = 100'000;
  std::size_t octets = 1400;
  std::uint32_t streams = 64;
  std::uint32_t first = 0;
  double seconds = 5;
};

int checked(int result, const char* what) {
  if (result < 0) throw std::system_error(errno, std::generic_category(), what);
  return result;
}

// A stream's next packet is written over the last one's fields.
class Streams {
 public:
  explicit Streams(const Options& options)
      : first_(options.first), frame_(options.octets), sequences_(options.streams), times_(options.streams) {
    put(&frame_[0], 0x020000000020, 6);
    put(&frame_[6], 0x020100000001, 6);
    put(&frame_[12], ETH_P_IP, 2);
    std::uint8_t* ip = &frame_[14];
    put(ip, 0x4500, 2);
    put(ip + 2, frame_.size() - 14, 2);
    put(ip + 6, 0x4000, 2);
    put(ip + 8, 0x4011, 2);
    put(ip + 16, 0xc0000214, 4);  // 192.0.2.20
    put(ip + 24, frame_.size() - 34, 2);
    put(ip + 28, 0x8060, 2);
  }

  std::size_t octets() const { return frame_.size(); }

  // Writes the next packet to `out`, which has room for octets().
  void next(std::uint8_t* out, std::chrono::nanoseconds since_begin) {
    const auto stream = turn_;
    turn_ = turn_ + 1 == sequences_.size() ? 0 : turn_ + 1;
    const auto sequence = sequences_[stream]++;
    if (sequence % frame_packets == 0) times_[stream] = static_cast<std::uint32_t>(since_begin.count() * 9 / 100'000);
    std::memcpy(out, frame_.data(), frame_.size());
    const auto number = first_ + stream;
    std::uint8_t* ip = out + 14;
    put(ip + 12, 0xc6336401 + number % 250, 4);  // 198.51.100.x
    put(ip + 10, ip_checksum(ip), 2);
    put(ip + 20, 20000 + 2 * (number / 250), 2);
    put(ip + 22, 10000 + 2 * number, 2);
    std::uint8_t* rtp = ip + 28;
    if (sequence % frame_packets == frame_packets - 1) rtp[1] |= 0x80;
    put(rtp + 2, sequence & 0xffff, 2);
    put(rtp + 4, times_[stream], 4);
    put(rtp + 8, 0x10000000 + number, 4);
  }

 private:
  std::size_t first_;
  std::vector<std::uint8_t> frame_;
  std::vector<std::uint64_t> sequences_;
  std::vector<std::uint32_t> times_;
  std::size_t turn_ = 0;
};

struct Socket {
  explicit Socket(const std::string& interface) : fd(checked(::socket(AF_PACKET, SOCK_RAW | SOCK_CLOEXEC, 0), "socket")) {
    const int yes = 1;
    checked(::setsockopt(fd, SOL_PACKET, PACKET_QDISC_BYPASS, &yes, sizeof yes), "PACKET_QDISC_BYPASS");
    to.sll_family = AF_PACKET;
    to.sll_ifindex = static_cast<int>(::if_nametoindex(interface.c_str()));
    if (to.sll_ifindex == 0) throw std::system_error(errno, std::generic_category(), interface);
  }
  ~Socket() { ::close(fd); }
  Socket(const Socket&) = delete;
  Socket& operator=(const Socket&) = delete;
  void bind() { checked(::bind(fd, reinterpret_cast<const sockaddr*>(&to), sizeof to), "bind"); }

  int fd;
  sockaddr_ll to{};
};

using Fill = std::function<void(std::uint8_t*)>;

class Sender {
 public:
  explicit Sender(const std::string& interface) : socket_(interface), room_(most_burst * slot_octets) { socket_.bind(); }

  // Answers how many of `count` frames the kernel took; writes each by `fill`.
  std::size_t send(std::size_t count, std::size_t octets, const Fill& fill) {
    for (std::size_t i = 0; i < count; ++i) {
      fill(&room_[i * slot_octets]);
      parts_[i] = {&room_[i * slot_octets], octets};
      messages_[i].msg_hdr.msg_iov = &parts_[i];
      messages_[i].msg_hdr.msg_iovlen = 1;
    }
    std::size_t sent = 0;
    while (sent < count) {
      const int got = ::sendmmsg(socket_.fd, &messages_[sent], static_cast<unsigned>(count - sent), 0);
      if (got < 0 && errno != ENOBUFS) checked(got, "sendmmsg");
      if (got <= 0) break;
      sent += static_cast<std::size_t>(got);
    }
    return sent;
  }

 private:
  Socket socket_;
  std::vector<std::uint8_t> room_;
  std::array<iovec, most_burst> parts_{};
  std::array<mmsghdr, most_burst> messages_{};
};

// Sends what is due since the begin; where less was taken than asked for, the rest is due with the next burst, and a
// backlog of more than a millisecond is let go, so that a burst stays one.
nlohmann::json blast(const Options& options) {
  Sender sender(options.interface);
  Streams streams(options);
  const auto burst = std::clamp<std::size_t>(static_cast<std::size_t>(options.pps / 1000), 1, most_burst);
  const auto between = std::chrono::nanoseconds(static_cast<std::int64_t>(1e9 / options.pps * static_cast<double>(burst)));
  const auto begin = Clock::now();
  const auto end = begin + std::chrono::nanoseconds(static_cast<std::int64_t>(options.seconds * 1e9));
  std::uint64_t sent = 0;
  auto due = begin;
  auto now = begin;
  while (now < end) {
    if (now < due) {
      if (due - now > 100us) std::this_thread::sleep_for(due - now - 60us);  // a sleep ends late by about that
      now = Clock::now();
      continue;
    }
    const auto age = now - begin;
    sent += sender.send(burst, streams.octets(), [&](std::uint8_t* frame) { streams.next(frame, age); });
    now = Clock::now();
    due = std::max(due + between, now - 1ms);
  }
  const auto seconds = std::chrono::duration<double>(now - begin).count();
  return {{"sent_packets", sent}, {"seconds", seconds}, {"packets_per_s", static_cast<double>(sent) / seconds},
          {"octets", options.octets}, {"streams", options.streams}};
}

}  // namespace

int main(int count, char** words) {
  Options options;
  CLI::App app("sends RTP frames as fast as asked");
  app.add_option("interface", options.interface)->required();
  app.add_option("--pps", options.pps)->check(CLI::Range(1.0, 1e8));
  app.add_option("--octets", options.octets, "of each frame, FCS left away")->check(CLI::Range(headers, slot_octets - 64));
  app.add_option("--streams", options.streams)->check(CLI::Range(1, 25000));
  app.add_option("--seconds", options.seconds);
  app.add_option("--first", options.first)->check(CLI::Range(0, 25000));
  CLI11_PARSE(app, count, words);
  try {
    std::puts(blast(options).dump().c_str());
  } catch (const std::exception& fault) {
    std::fprintf(stderr, "udp_blast: %s\n", fault.what());
    return 1;
  }
  return 0;
}
