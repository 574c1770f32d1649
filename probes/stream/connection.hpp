// The TCP connection to a unit, in the open or in TLS, in its two lives: conversing, where each step is awaited, and then
// draining, where nothing waits: at each beat it takes what has come, with the kernel's time stamps, and the reactor no
// longer wakes the thread for it.
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"
#include "probes/stream/tls_channel.hpp"
#include "probes/wire/octets.hpp"

#include <boost/asio/awaitable.hpp>
#include <boost/asio/ip/tcp.hpp>

#include <chrono>
#include <functional>
#include <memory>
#include <optional>
#include <string>

namespace tallywire::stream {

struct ConnectionPlace {
  std::string address;  // numeric
  std::uint16_t tcp_port = 554;
  bool tls = false;
  std::string text() const;  // "192.0.2.10:554", IPv6 in brackets
};

class Connection {
 public:
  Connection(boost::asio::any_io_executor executor, ConnectionPlace place, std::chrono::milliseconds limit);
  ~Connection();
  Connection(const Connection&) = delete;
  Connection& operator=(const Connection&) = delete;

  // Conversing. Each within the limit; cancel() ends any of them.
  boost::asio::awaitable<Outcome<bool>> open();
  boost::asio::awaitable<Outcome<bool>> write(std::string octets);
  // Plain octets to the callback, before the awaiting coroutine goes on; none is possible in TLS. False: closed. Without
  // a limit of its own: who awaits an answer sets one for the whole of it.
  using OnOctets = std::function<void(wire::Octets plain, SystemTime when)>;
  boost::asio::awaitable<Outcome<bool>> read(const OnOctets& on_octets);
  void cancel();

  // Draining: from here on only these, and no more of the above.
  void begin_draining();
  // All that has come, at most most_a_drain octets. `when` is the kernel's receive time of the last octet of each piece.
  // False: the unit closed the connection.
  Outcome<bool> drain(const OnOctets& on_octets);
  // Sends what the socket takes now; the rest at flush(), which drain() calls too. A unit that does not read is broken
  // off when more than most_waiting octets stand.
  Outcome<void> queue(std::string_view octets);
  Outcome<void> flush();

  // The socket, while draining; -1 before.
  int descriptor() const { return drained_; }

  const ConnectionPlace& place() const { return place_; }
  std::string own_address() const { return own_address_; }
  std::uint16_t own_port() const { return own_port_; }
  std::uint64_t octets_read() const { return octets_read_; }  // as they crossed, TLS records and all
  // Octets that came in per segment since begin_draining(), by the kernel's count (TCP_INFO); none when it does not tell.
  std::optional<double> mean_segment_octets() const;
  std::optional<TlsFacts> tls_facts() const;

  static constexpr std::size_t most_a_drain = 4 * 1024 * 1024;
  static constexpr std::size_t most_waiting = 64 * 1024;

 private:
  boost::asio::awaitable<Outcome<bool>> connect();
  boost::asio::awaitable<Outcome<bool>> shake_hands();
  boost::asio::awaitable<Outcome<bool>> write_raw(std::string octets);
  Outcome<bool> hand_on(wire::Octets came, SystemTime when, const OnOctets& on_octets);

  boost::asio::ip::tcp::socket socket_;
  ConnectionPlace place_;
  std::chrono::milliseconds limit_;
  std::unique_ptr<TlsChannel> tls_;
  int drained_ = -1;      // the descriptor, once the reactor has let go of it
  std::string waiting_;   // octets for the wire
  std::string own_address_;
  std::uint16_t own_port_ = 0;
  std::uint64_t octets_read_ = 0;
  std::uint64_t octets_before_ = 0;    // of TCP_INFO, at begin_draining()
  std::uint64_t segments_before_ = 0;
};

}  // namespace tallywire::stream
