// A UDP socket for STAMP: the kernel's time stamps and the TTL of what came. One thread at a time; nothing blocks.
#pragma once

#include "probes/fault.hpp"
#include "probes/wire/octets.hpp"

#include <boost/asio/ip/udp.hpp>

#include <cstdint>
#include <optional>
#include <vector>

namespace tallywire::path {

// Both clocks at one moment. `own` never steps: it began at the wall clock's time and went on by the monotonic clock.
struct StampNow {
  std::int64_t unix_ns = 0;
  std::int64_t own_ns = 0;
};

class StampClock {
 public:
  StampClock();
  StampNow now() const;
  // A moment that the kernel told by the wall clock, by the own clock.
  std::int64_t own_of(std::int64_t unix_ns) const;
  // How far the wall clock has been moved against the monotonic one since the begin.
  std::int64_t moved_ns() const;

 private:
  std::int64_t offset_ns_;
};

class StampSocket {
 public:
  // Bound to the address; port 0: any. With `peer`, packets of others never reach us.
  static Outcome<StampSocket> open(boost::asio::ip::udp::endpoint local, std::optional<boost::asio::ip::udp::endpoint> peer);
  StampSocket(StampSocket&& other) noexcept;
  StampSocket& operator=(StampSocket&& other) noexcept;
  ~StampSocket();
  StampSocket(const StampSocket&) = delete;

  std::uint16_t port() const;
  int descriptor() const { return fd_; }

  struct Datagram {
    wire::Octets octets;            // until the next receive()
    std::int64_t received_unix_ns = 0;  // the kernel's; 0: it did not tell
    std::uint8_t ttl = 0;           // 0: not told
    boost::asio::ip::udp::endpoint from;
  };
  enum class Came { datagram, nothing, refused };  // refused: ICMP says that nobody listens there
  Came receive(Datagram& out);

  // To the peer, or to `to`.
  bool send(wire::Octets octets, const boost::asio::ip::udp::endpoint* to = nullptr);

  struct Left {
    std::uint32_t count = 0;  // of the datagrams sent by this socket, from 0
    std::int64_t unix_ns = 0;
  };
  // When the next datagram was handed to the card.
  std::optional<Left> next_left();

 private:
  explicit StampSocket(int fd) : fd_(fd), buffer_(buffer_octets) {}
  static constexpr std::size_t buffer_octets = 9217;  // one more than the longest that is taken

  int fd_ = -1;
  std::vector<std::uint8_t> buffer_;
};

// Wakes a thread that waits in poll(2). Any thread.
class Waker {
 public:
  Waker();
  ~Waker();
  Waker(const Waker&) = delete;
  Waker& operator=(const Waker&) = delete;
  void wake();
  int descriptor() const { return fd_; }

 private:
  int fd_;
};

// Waits for the socket or the waker, at most so long.
void wait_for_packet(const StampSocket& socket, const Waker& waker, std::int64_t at_most_ns);

}  // namespace tallywire::path
