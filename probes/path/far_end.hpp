// Being the far end: takes part in measurements of those who hold the same key, and of nobody else.
#pragma once

#include "probes/fault.hpp"

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/thread_pool.hpp>

#include <atomic>
#include <map>
#include <memory>
#include <string>
#include <vector>

namespace tallywire::path {

struct FarEndSettings {
  std::string address;                         // to listen on, numeric
  std::uint16_t tcp_port = 7861;
  std::string key;
  std::map<std::string, std::string> volumes;  // name -> directory that may be measured; nothing else is
  // Not 0: STAMP (RFC 8762) without an agreement on this UDP port, unauthenticated and stateless, for these numeric addresses alone.
  std::uint16_t plain_reflector_port = 0;
  std::vector<std::string> plain_reflector_for = {};
};

class FarEnd {
 public:
  static constexpr int most_sessions = 4;  // of those who proved the key; the next is refused

  // `blocking` runs the volume measurements. All must outlive the far end.
  FarEnd(boost::asio::io_context& context, boost::asio::thread_pool& blocking, FarEndSettings settings);
  Outcome<void> start();
  // Ends every session and the listening. Some work ends on threads of its own: the network thread is to run on until finished().
  void stop();
  bool finished() const;
  std::uint16_t tcp_port() const;

 private:
  struct State;
  std::shared_ptr<State> state_;
};

}  // namespace tallywire::path
