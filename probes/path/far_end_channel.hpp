// One connection between asker and far end: frames of the handshake, then a bulk of octets, then frames again.
// Both ends use it. Network thread.
#pragma once

#include "probes/fault.hpp"
#include "probes/path/throughput.hpp"

#include <boost/asio/awaitable.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <nlohmann/json.hpp>

#include <chrono>
#include <functional>
#include <string>
#include <vector>

namespace tallywire::path {

class FarEndChannel {
 public:
  FarEndChannel(boost::asio::ip::tcp::socket socket, std::string where);

  boost::asio::awaitable<Outcome<bool>> send(std::string frame, std::chrono::milliseconds limit);
  boost::asio::awaitable<Outcome<nlohmann::json>> receive(std::chrono::milliseconds limit);

  struct Bulk {
    double octets = 0;
    double seconds = 0;
  };
  using OnTime = std::function<void(double done_s)>;
  // Sends for `duration`, no faster than `ceiling_bps`, then an end mark that the receiver finds by its length:
  // every block is as long as told in its head, and a block of length 0 ends the bulk. A peer that takes none of it ends it 10 s late.
  boost::asio::awaitable<Outcome<Bulk>> send_bulk(std::chrono::milliseconds duration, double ceiling_bps,
                                                  const OnTime& on_time);
  // Counts what comes until the end mark. The first `skip` is left out of the count: TCP's slow start.
  boost::asio::awaitable<Outcome<Bulk>> receive_bulk(std::chrono::milliseconds skip, std::chrono::milliseconds limit,
                                                     const OnTime& on_time);

  // Round trip, retransmissions and segment size by the kernel's TCP_INFO into the report.
  void read_kernel(ThroughputReport& out);
  void cancel();
  const std::string& where() const { return where_; }
  // Of this connection; unspecified once it is broken.
  boost::asio::ip::address local_address() const;
  boost::asio::ip::address peer_address() const;

 private:
  boost::asio::awaitable<Outcome<bool>> write_all(std::string octets);
  boost::asio::awaitable<Outcome<nlohmann::json>> read_frame();
  boost::asio::awaitable<Outcome<Bulk>> write_bulk(std::chrono::milliseconds duration, double ceiling_bps,
                                                   const OnTime& on_time);
  boost::asio::awaitable<Outcome<Bulk>> read_bulk(std::chrono::milliseconds skip, const OnTime& on_time);
  Fault broken(const boost::system::error_code& code) const;

  boost::asio::ip::tcp::socket socket_;
  std::string where_;
  std::vector<std::uint8_t> buffer_;
  std::size_t held_ = 0;  // octets of buffer_ that are not yet taken
};

}  // namespace tallywire::path
