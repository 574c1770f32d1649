// The HTTP server: a Unix socket, loopback, and beyond only with TLS and a token. One coroutine a connection,
// which dies alone. Network thread only.
#pragma once

#include "daemon/api/doors.hpp"
#include "daemon/api/event_feed.hpp"
#include "daemon/api/routes.hpp"

#include <boost/asio/io_context.hpp>

#include <cstdint>
#include <memory>
#include <optional>
#include <string>

namespace tallywire::api {

struct ServerSettings {
  std::string socket;                        // path of the Unix socket; empty: none
  std::uint16_t loopback_tcp_port = 7860;    // 0: the kernel chooses
  int inherited_listener = -1;               // a listening TCP socket of whoever started us, instead of loopback
  std::optional<OpenDoorSettings> open_door;
};

class Server {
 public:
  static constexpr int most_sessions = 256;  // at each door

  // All must outlive the server.
  Server(boost::asio::io_context& context, Routes& routes, record::Record& record, EventFeed& feed,
         boost::asio::thread_pool& reading, ServerSettings settings);
  ~Server();
  // A Fault when an address cannot be listened on, or another service holds the Unix socket.
  Outcome<void> start();
  void stop();
  std::uint16_t loopback_tcp_port() const;
  std::uint16_t open_tcp_port() const;

 private:
  struct State;
  std::shared_ptr<State> state_;
};

}  // namespace tallywire::api
