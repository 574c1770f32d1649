// One connection between asker and far end: frames of the handshake, then a bulk of octets, then frames again.
// Both ends use it. Network thread.
#pragma once

#include "probes/fault.hpp"
#include "probes/path/bulk_tcp.hpp"
#include "probes/path/tcp_kernel.hpp"

#include <boost/asio/awaitable.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <nlohmann/json.hpp>

#include <atomic>
#include <chrono>
#include <functional>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::path {

// IPv4 in the clothes of IPv6 is IPv4.
boost::asio::ip::address plain_address(const boost::asio::ip::address& address);

class FarEndChannel {
 public:
  // A peer whose machine is gone, or whose cable is out, ends whatever is awaited of it after so long.
  static constexpr std::chrono::seconds silence_limit{20};

  FarEndChannel(boost::asio::ip::tcp::socket socket, std::string where);

  boost::asio::awaitable<Outcome<bool>> send(std::string frame, std::chrono::milliseconds limit);
  // A frame that comes at the very end of the limit is not lost: it is this answer or the next.
  boost::asio::awaitable<Outcome<nlohmann::json>> receive(std::chrono::milliseconds limit);
  // Waits until the other end says something, hangs up, or falls silent for silence_limit, and takes nothing of it. False: cancelled.
  boost::asio::awaitable<bool> wait_for_word();

  using OnTime = std::function<void(double done_s)>;  // called on the network thread
  // The bulk of bulk_tcp.hpp, on a thread of its own; the connection is nobody else's meanwhile.
  boost::asio::awaitable<Outcome<BulkSent>> send_bulk(BulkOrder order, OnTime on_time);
  boost::asio::awaitable<Outcome<BulkReceived>> receive_bulk(BulkOrder order, OnTime on_time);

  std::optional<TcpCounters> counters() { return read_tcp_counters(socket_.native_handle()); }
  std::string congestion_control() { return congestion_control_of(socket_.native_handle()); }
  // Ends what is awaited, and a bulk within 100 ms with what it has. What is asked afterwards is carried out.
  void cancel();
  const std::string& where() const { return where_; }
  // Of this connection, IPv4 in the clothes of IPv6 as IPv4; unspecified once it is broken.
  boost::asio::ip::address local_address() const;
  boost::asio::ip::address peer_address() const;

 private:
  boost::asio::awaitable<Outcome<bool>> write_all(std::string octets);
  boost::asio::awaitable<Outcome<bool>> read_until_frame();
  template <class R>
  boost::asio::awaitable<Outcome<R>> run_bulk(Outcome<R> (*bulk)(int, const BulkOrder&, const std::atomic<bool>&, const BulkTick&),
                                              BulkOrder order, OnTime on_time);
  Fault broken(const boost::system::error_code& code) const;

  boost::asio::ip::tcp::socket socket_;
  std::string where_;
  std::vector<std::uint8_t> buffer_;
  std::size_t held_ = 0;  // octets of buffer_ that are not yet taken
  std::atomic<bool> cancelled_{false};
};

}  // namespace tallywire::path
