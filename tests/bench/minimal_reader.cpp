// minimal_reader ADDRESS PORT STREAMS tcp|udp drained|each SECONDS: the least that receives N streams, as a yardstick:
// one thread, epoll, packets counted and not looked into. `drained`: sleeps 10 ms, then empties what is ready;
// `each`: wakes as data comes. It speaks only what stream_sender needs: SETUP and PLAY. Prints "playing" when all have
// begun, and at the end its counts as JSON.
#include "probes/wire/rtsp_message.hpp"

#include <arpa/inet.h>
#include <nlohmann/json.hpp>
#include <sys/epoll.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <unistd.h>

#include <array>
#include <chrono>
#include <cstdio>
#include <memory>
#include <stdexcept>
#include <string>
#include <system_error>
#include <thread>
#include <vector>

using namespace tallywire;
using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;

namespace {

constexpr std::size_t datagrams_a_call = 64;
constexpr std::size_t datagram_room = 2048;
constexpr int first_port = 20000;

struct Stream {
  int control = -1;
  int rtp = -1;
  std::uint64_t packets = 0;
  std::uint64_t octets = 0;
  std::vector<std::uint8_t> tail;  // TCP: the begin of a frame that is not all here yet
};

int checked(int result, const char* what) {
  if (result < 0) throw std::system_error(errno, std::generic_category(), what);
  return result;
}

sockaddr_in endpoint(const std::string& host, int port) {
  sockaddr_in out{};
  out.sin_family = AF_INET;
  out.sin_port = htons(static_cast<std::uint16_t>(port));
  if (::inet_pton(AF_INET, host.c_str(), &out.sin_addr) != 1) throw std::invalid_argument("no address: " + host);
  return out;
}

int bound_udp(int port) {
  const int fd = checked(::socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC, 0), "socket");
  const auto any = endpoint("0.0.0.0", port);
  checked(::bind(fd, reinterpret_cast<const sockaddr*>(&any), sizeof any), "bind");
  const int room = 2 * 1024 * 1024;
  ::setsockopt(fd, SOL_SOCKET, SO_RCVBUFFORCE, &room, sizeof room);
  return fd;
}

// What follows the answer to PLAY in the same octets is left in `received`.
wire::RtspMessage read_answer(int fd, std::vector<std::uint8_t>& received) {
  for (;;) {
    const auto item = wire::parse_rtsp(received);
    if (item.what == wire::ParsedRtsp::What::malformed) throw std::runtime_error(item.fault);
    if (item.what == wire::ParsedRtsp::What::message) {
      received.erase(received.begin(), received.begin() + static_cast<std::ptrdiff_t>(item.consumed));
      return item.message;
    }
    std::array<std::uint8_t, 4096> octets;
    const auto got = ::recv(fd, octets.data(), octets.size(), 0);
    if (got <= 0) throw std::runtime_error("no answer from the server");
    received.insert(received.end(), octets.begin(), octets.begin() + got);
  }
}

wire::RtspMessage ask(Stream& stream, const std::string& request) {
  if (::send(stream.control, request.data(), request.size(), MSG_NOSIGNAL) < 0)
    throw std::runtime_error("the server is gone");
  auto answer = read_answer(stream.control, stream.tail);
  if (answer.status != 200) throw std::runtime_error("the server answered " + std::to_string(answer.status));
  return answer;
}

Stream play(const std::string& host, int port, int number, bool tcp) {
  Stream stream;
  stream.control = checked(::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0), "socket");
  const timeval limit{5, 0};
  ::setsockopt(stream.control, SOL_SOCKET, SO_RCVTIMEO, &limit, sizeof limit);
  const auto server = endpoint(host, port);
  checked(::connect(stream.control, reinterpret_cast<const sockaddr*>(&server), sizeof server), "connect");
  const std::string url = "rtsp://" + host + ":" + std::to_string(port) + "/" + std::to_string(number);
  std::string transport = "RTP/AVP/TCP;unicast;interleaved=0-1";
  if (!tcp) {
    const int own_port = first_port + 2 * number;
    transport = "RTP/AVP;unicast;client_port=" + std::to_string(own_port) + "-" + std::to_string(own_port + 1);
    stream.rtp = bound_udp(own_port);
  }
  const auto setup = ask(stream, "SETUP " + url + "/track RTSP/1.0\r\nCSeq: 1\r\nTransport: " + transport + "\r\n\r\n");
  ask(stream, "PLAY " + url + " RTSP/1.0\r\nCSeq: 2\r\nSession: " + setup.header("session") + "\r\n\r\n");
  return stream;
}

// Counts whole interleaved frames (RFC 2326 §10.12) of channel 0; keeps the rest for the next call.
void take_frames(Stream& stream, const std::uint8_t* octets, std::size_t count) {
  std::vector<std::uint8_t> joined;
  if (!stream.tail.empty()) {
    joined = std::move(stream.tail);
    joined.insert(joined.end(), octets, octets + count);
    octets = joined.data();
    count = joined.size();
  }
  std::size_t at = 0;
  while (count - at >= 4) {
    const std::size_t length = static_cast<std::size_t>(octets[at + 2] << 8 | octets[at + 3]);
    if (octets[at] != '$') throw std::runtime_error("no interleaved frame where one must begin");
    if (count - at - 4 < length) break;
    if (octets[at + 1] == 0) {
      ++stream.packets;
      stream.octets += length;
    }
    at += 4 + length;
  }
  stream.tail.assign(octets + at, octets + count);
}

void drain_tcp(Stream& stream, std::vector<std::uint8_t>& buffer) {
  for (;;) {
    const auto got = ::recv(stream.control, buffer.data(), buffer.size(), MSG_DONTWAIT);
    if (got <= 0) return;
    take_frames(stream, buffer.data(), static_cast<std::size_t>(got));
    if (static_cast<std::size_t>(got) < buffer.size()) return;
  }
}

void drain_udp(Stream& stream, std::vector<std::uint8_t>& buffer) {
  std::array<mmsghdr, datagrams_a_call> messages{};
  std::array<iovec, datagrams_a_call> parts;
  for (std::size_t i = 0; i < datagrams_a_call; ++i) {
    parts[i] = {buffer.data() + i * datagram_room, datagram_room};
    messages[i].msg_hdr.msg_iov = &parts[i];
    messages[i].msg_hdr.msg_iovlen = 1;
  }
  for (;;) {
    const int got = ::recvmmsg(stream.rtp, messages.data(), datagrams_a_call, MSG_DONTWAIT, nullptr);
    if (got <= 0) return;
    stream.packets += static_cast<std::uint64_t>(got);
    for (std::size_t i = 0; i < static_cast<std::size_t>(got); ++i) stream.octets += messages[i].msg_len;
    if (got < static_cast<int>(datagrams_a_call)) return;
  }
}

void read_all(std::vector<Stream>& streams, bool tcp, bool drained, std::chrono::seconds duration) {
  const int epoll = checked(::epoll_create1(EPOLL_CLOEXEC), "epoll");
  for (std::size_t i = 0; i < streams.size(); ++i) {
    epoll_event event{};
    event.events = EPOLLIN;
    event.data.u64 = i;
    checked(::epoll_ctl(epoll, EPOLL_CTL_ADD, tcp ? streams[i].control : streams[i].rtp, &event), "epoll_ctl");
  }
  std::vector<std::uint8_t> buffer(std::max<std::size_t>(datagrams_a_call * datagram_room, 256 * 1024));
  std::vector<epoll_event> events(streams.size());
  const auto end = Clock::now() + duration;
  while (Clock::now() < end) {
    if (drained) std::this_thread::sleep_for(10ms);
    const int ready = ::epoll_wait(epoll, events.data(), static_cast<int>(events.size()), drained ? 0 : 100);
    for (int i = 0; i < ready; ++i) {
      auto& stream = streams[events[static_cast<std::size_t>(i)].data.u64];
      tcp ? drain_tcp(stream, buffer) : drain_udp(stream, buffer);
    }
  }
  ::close(epoll);
}

}  // namespace

int main(int count, char** words) {
  if (count < 7) {
    std::fputs("minimal_reader ADDRESS PORT STREAMS tcp|udp drained|each SECONDS\n", stderr);
    return 2;
  }
  rlimit files{};
  ::getrlimit(RLIMIT_NOFILE, &files);
  files.rlim_cur = files.rlim_max;
  ::setrlimit(RLIMIT_NOFILE, &files);
  const bool tcp = std::string(words[4]) == "tcp";
  std::vector<Stream> streams;
  for (int i = 0; i < std::stoi(words[3]); ++i) streams.push_back(play(words[1], std::stoi(words[2]), i, tcp));
  std::puts("playing");
  std::fflush(stdout);
  read_all(streams, tcp, std::string(words[5]) == "drained", std::chrono::seconds(std::stoi(words[6])));
  auto per_stream = nlohmann::json::array();
  std::uint64_t packets = 0;
  for (const auto& stream : streams) {
    packets += stream.packets;
    per_stream.push_back(stream.packets);
  }
  std::puts(nlohmann::json{{"packets", packets}, {"per_stream", per_stream}}.dump().c_str());
}
