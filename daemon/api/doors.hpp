// The listening sockets: a Unix socket, loopback, and beyond only with TLS and a token.
#pragma once

#include "probes/fault.hpp"

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/ssl/context.hpp>

#include <cstdint>
#include <string>

namespace tallywire::api {

struct OpenDoorSettings {
  std::string address;
  std::uint16_t tcp_port = 0;
  std::string certificate_file;
  std::string key_file;
  std::string token;             // compared in constant time; never logged
};

// A Unix socket of ours, mode 0660. Its file is taken away with it, and no other file ever is.
class UnixDoor {
 public:
  explicit UnixDoor(boost::asio::io_context& context) : acceptor_(context) {}
  ~UnixDoor() { close(); }
  UnixDoor(const UnixDoor&) = delete;
  UnixDoor& operator=(const UnixDoor&) = delete;

  // A Fault when a living service answers there already, or something that is no socket has that name. A socket
  // that nobody listens on was left by a killed service and is replaced.
  Outcome<void> open(const std::string& path);
  void close();
  boost::asio::local::stream_protocol::acceptor& acceptor() { return acceptor_; }

 private:
  boost::asio::local::stream_protocol::acceptor acceptor_;
  std::string path_;             // empty until bound
  std::uint64_t device_ = 0, inode_ = 0;
};

// `inherited`: a listening socket of whoever started us, taken instead of the port; -1: none. Port 0: the kernel chooses.
Outcome<void> open_loopback(boost::asio::ip::tcp::acceptor& acceptor, std::uint16_t tcp_port, int inherited);
Outcome<void> open_tls(boost::asio::ip::tcp::acceptor& acceptor, boost::asio::ssl::context& tls, const OpenDoorSettings& door);

}  // namespace tallywire::api
