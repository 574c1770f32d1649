// stream_sender ADDRESS PORT [FRAMES]: an RTSP server for the benchmarks. Every rtsp://ADDRESS:PORT/NUMBER is a stream
// of its own (stream_shape.hpp), by TCP interleaved (one send a frame) or by UDP (UDP_SEGMENT: one call for up to 45
// packets). With FRAMES, each session's media ends after so many frames, so that counts can be compared exactly.
// Prints "ready"; on SIGTERM, what was sent to each session as JSON. One thread, which also measures its own lateness.
#include "tests/bench/sender_session.hpp"

#include <arpa/inet.h>
#include <nlohmann/json.hpp>
#include <sys/epoll.h>
#include <sys/resource.h>
#include <sys/signalfd.h>
#include <sys/timerfd.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <csignal>
#include <cstdio>
#include <map>
#include <memory>
#include <stdexcept>
#include <system_error>

using namespace tallywire::bench;
using nlohmann::json;

namespace {

int checked(int result, const char* what) {
  if (result < 0) throw std::system_error(errno, std::generic_category(), what);
  return result;
}

int bound_socket(int kind, const std::string& host, int port) {
  const int fd = checked(::socket(AF_INET, kind | SOCK_NONBLOCK | SOCK_CLOEXEC, 0), "socket");
  const int yes = 1;
  ::setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
  sockaddr_in address{};
  address.sin_family = AF_INET;
  address.sin_port = htons(static_cast<std::uint16_t>(port));
  if (::inet_pton(AF_INET, host.c_str(), &address.sin_addr) != 1) throw std::invalid_argument("no address: " + host);
  checked(::bind(fd, reinterpret_cast<const sockaddr*>(&address), sizeof address), "bind");
  return fd;
}

class Sender {
 public:
  Sender(std::string host, int port, std::uint64_t frame_limit) : host_(std::move(host)), frame_limit_(frame_limit) {
    epoll_ = checked(::epoll_create1(EPOLL_CLOEXEC), "epoll");
    listener_ = bound_socket(SOCK_STREAM, host_, port);
    checked(::listen(listener_, 1024), "listen");
    ports_.rtp_port = (port + 2) & ~1;
    ports_.rtp_fd = bound_socket(SOCK_DGRAM, host_, ports_.rtp_port);
    rtcp_ = bound_socket(SOCK_DGRAM, host_, ports_.rtp_port + 1);  // reports arrive here and are not read
    const int room = 8 * 1024 * 1024;
    ::setsockopt(ports_.rtp_fd, SOL_SOCKET, SO_SNDBUFFORCE, &room, sizeof room);
    sigset_t signals;
    sigemptyset(&signals);
    sigaddset(&signals, SIGTERM);
    sigaddset(&signals, SIGINT);
    ::sigprocmask(SIG_BLOCK, &signals, nullptr);
    signals_ = checked(::signalfd(-1, &signals, SFD_CLOEXEC), "signalfd");
    timer_ = checked(::timerfd_create(CLOCK_MONOTONIC, TFD_NONBLOCK | TFD_CLOEXEC), "timerfd");
    const itimerspec each_ms{{0, 1'000'000}, {0, 1'000'000}};
    checked(::timerfd_settime(timer_, 0, &each_ms, nullptr), "timerfd");
    begin_ = std::chrono::steady_clock::now();
    for (const int fd : {listener_, signals_, timer_}) watch(fd, EPOLLIN, EPOLL_CTL_ADD);
  }

  void run() {
    std::array<epoll_event, 256> events;
    for (;;) {
      const int ready = ::epoll_wait(epoll_, events.data(), static_cast<int>(events.size()), -1);
      for (int i = 0; i < ready; ++i) {
        const auto& event = events[static_cast<std::size_t>(i)];
        if (event.data.fd == signals_) return;
        if (event.data.fd == timer_)
          take_ticks();
        else if (event.data.fd == listener_)
          take_viewers();
        else
          serve(event.data.fd, event.events);
      }
    }
  }

  json result() {
    while (!sessions_.empty()) drop(sessions_.begin()->first);
    rusage usage{};
    ::getrusage(RUSAGE_SELF, &usage);
    const auto seconds = [](const timeval& t) {
      return static_cast<double>(t.tv_sec) + static_cast<double>(t.tv_usec) / 1e6;
    };
    return {{"sessions", ended_},
            {"latest_ms", latest_ms_},
            {"cpu_s", seconds(usage.ru_utime) + seconds(usage.ru_stime)},
            {"wall_s", std::chrono::duration<double>(std::chrono::steady_clock::now() - begin_).count()}};
  }

 private:
  void watch(int fd, std::uint32_t events, int how) {
    epoll_event event{};
    event.events = events;
    event.data.fd = fd;
    checked(::epoll_ctl(epoll_, how, fd, &event), "epoll_ctl");
  }

  void take_viewers() {
    for (;;) {
      const int fd = ::accept4(listener_, nullptr, nullptr, SOCK_NONBLOCK | SOCK_CLOEXEC);
      if (fd < 0) return;
      sessions_.emplace(fd, std::make_unique<SenderSession>(fd, host_, ports_, frame_limit_));
      watch(fd, EPOLLIN, EPOLL_CTL_ADD);
    }
  }

  void serve(int fd, std::uint32_t events) {
    const auto found = sessions_.find(fd);
    if (found == sessions_.end()) return;
    auto& session = *found->second;
    const bool was_playing = session.playing();
    const bool alive = (events & EPOLLOUT) == 0 || session.flush();
    if (!alive || ((events & ~EPOLLOUT) != 0 && !session.take_input())) return drop(fd);
    if (was_playing != session.playing()) place(session, session.playing());
    watch_as_needed(session);
  }

  void watch_as_needed(const SenderSession& session) {
    watch(session.fd(), EPOLLIN | (session.wants_to_write() ? static_cast<std::uint32_t>(EPOLLOUT) : 0U), EPOLL_CTL_MOD);
  }

  void place(SenderSession& session, bool in) {
    auto& slot = slots_[static_cast<std::size_t>(session.offset_ms() % frame_ms)];
    std::erase(slot, &session);
    if (in) slot.push_back(&session);
  }

  void drop(int fd) {
    const auto found = sessions_.find(fd);
    if (found->second->playing()) place(*found->second, false);
    const auto& c = found->second->counts();
    ended_.push_back({{"stream", c.stream},
                      {"transport", c.tcp ? "tcp" : "udp"},
                      {"frames", c.frames},
                      {"packets", c.packets},
                      {"payload_octets", c.payload_octets},
                      {"held_frames", c.held_frames},
                      {"overrun_packets", c.overrun_packets}});
    sessions_.erase(found);
  }

  // A frame is due each 40 ms; a late wake-up sends what is overdue at once.
  void take_ticks() {
    std::uint64_t count = 0;
    if (::read(timer_, &count, sizeof count) != sizeof count) return;
    for (; count > 0; --count) {
      ++tick_ms_;
      const auto due = begin_ + std::chrono::milliseconds(tick_ms_);
      const std::chrono::duration<double, std::milli> late = std::chrono::steady_clock::now() - due;
      auto& slot = slots_[static_cast<std::size_t>(tick_ms_ % frame_ms)];
      if (!slot.empty()) latest_ms_ = std::max(latest_ms_, late.count());
      for (auto* session : slot) {
        const bool waited = session->wants_to_write();
        session->send_frame(static_cast<int>((tick_ms_ - session->offset_ms() + 1000) % 1000 / frame_ms));
        if (session->wants_to_write() != waited) watch_as_needed(*session);
      }
    }
  }

  std::string host_;
  std::uint64_t frame_limit_;
  int epoll_ = -1, listener_ = -1, rtcp_ = -1, signals_ = -1, timer_ = -1;
  MediaPorts ports_;
  std::map<int, std::unique_ptr<SenderSession>> sessions_;
  std::array<std::vector<SenderSession*>, frame_ms> slots_;
  std::chrono::steady_clock::time_point begin_;
  std::int64_t tick_ms_ = 0;
  double latest_ms_ = 0;
  json ended_ = json::array();
};

}  // namespace

int main(int count, char** words) {
  if (count < 3) {
    std::fputs("stream_sender ADDRESS PORT [FRAMES]\n", stderr);
    return 2;
  }
  rlimit files{};
  ::getrlimit(RLIMIT_NOFILE, &files);
  files.rlim_cur = files.rlim_max;
  ::setrlimit(RLIMIT_NOFILE, &files);
  Sender sender(words[1], std::stoi(words[2]), count > 3 ? std::stoull(words[3]) : 0);
  std::puts("ready");
  std::fflush(stdout);
  sender.run();
  std::puts(sender.result().dump().c_str());
}
