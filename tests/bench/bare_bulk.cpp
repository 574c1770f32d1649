// The least that moves octets over TCP: one epoll set, one connection, 256 KiB a call. `bare_bulk listen ADDRESS PORT` reads what one
// peer sends and prints its rate in bit/s, the first half second left out; `bare_bulk send ADDRESS PORT SECONDS` writes.
#include <arpa/inet.h>
#include <netinet/in.h>
#include <sys/epoll.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cerrno>
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <string>
#include <vector>

namespace {

using Clock = std::chrono::steady_clock;

constexpr std::size_t piece = 256 * 1024;
constexpr double left_out_s = 0.5;
constexpr int wait_ms = 5000;

[[noreturn]] void fail(const char* what) {
  std::perror(what);
  std::exit(1);
}

double since(Clock::time_point begin) { return std::chrono::duration<double>(Clock::now() - begin).count(); }

int watch(int handle, unsigned events) {
  const int set = ::epoll_create1(0);
  epoll_event event{};
  event.events = events;
  if (set < 0 || ::epoll_ctl(set, EPOLL_CTL_ADD, handle, &event) != 0) fail("epoll");
  return set;
}

void wait_on(int set) {
  epoll_event event{};
  if (::epoll_wait(set, &event, 1, wait_ms) <= 0) fail("nothing moves");
}

int read_all(const sockaddr_in& address) {
  const int door = ::socket(AF_INET, SOCK_STREAM, 0);
  const int on = 1;
  ::setsockopt(door, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on);
  if (::bind(door, reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0 || ::listen(door, 1) != 0) fail("listen");
  const int handle = ::accept4(door, nullptr, nullptr, SOCK_NONBLOCK);
  if (handle < 0) fail("accept");
  const int set = watch(handle, EPOLLIN);
  std::vector<char> buffer(piece);
  const auto begin = Clock::now();
  double octets = 0, from_s = 0, last_s = 0;
  for (;;) {
    const auto count = ::recv(handle, buffer.data(), buffer.size(), 0);
    if (count == 0) break;
    if (count < 0) {
      if (errno != EAGAIN) fail("recv");
      wait_on(set);
      continue;
    }
    last_s = since(begin);
    if (from_s > 0)
      octets += static_cast<double>(count);
    else if (last_s >= left_out_s)
      from_s = last_s;
  }
  std::printf("%.0f\n", octets * 8 / (last_s - from_s));
  return 0;
}

int write_all(const sockaddr_in& address, double seconds) {
  const int handle = ::socket(AF_INET, SOCK_STREAM, 0);
  if (::connect(handle, reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0) fail("connect");
  const int set = watch(handle, EPOLLOUT | EPOLLET);
  const std::vector<char> buffer(piece, 'Z');
  for (const auto begin = Clock::now(); since(begin) < seconds;)
    if (::send(handle, buffer.data(), buffer.size(), MSG_DONTWAIT | MSG_NOSIGNAL) < 0) {
      if (errno != EAGAIN) fail("send");
      wait_on(set);
    }
  ::close(handle);
  return 0;
}

}  // namespace

int main(int argc, char** argv) {
  sockaddr_in address{};
  address.sin_family = AF_INET;
  if (argc < 4 || ::inet_pton(AF_INET, argv[2], &address.sin_addr) != 1) {
    std::fputs("bare_bulk listen ADDRESS PORT | send ADDRESS PORT SECONDS\n", stderr);
    return 2;
  }
  address.sin_port = htons(static_cast<std::uint16_t>(std::atoi(argv[3])));
  if (std::strcmp(argv[1], "listen") == 0) return read_all(address);
  return argc > 4 ? write_all(address, std::atof(argv[4])) : 2;
}
