// A unit that follows a script, for faults that no honest server has: it answers RTSP on loopback, sends H.264-shaped
// packets interleaved, and breaks off where it is told to. A thread of its own; it remembers what was asked of it.
#pragma once

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>

#include <atomic>
#include <cstdint>
#include <mutex>
#include <string>
#include <thread>
#include <vector>

namespace tallywire::test {

struct UnitScript {
  int timeout_s = 60;
  std::string refuse_method;                    // answered 500
  std::string hang_up_at;                       // closes instead of answering this method
  std::vector<int> packets_before_break = {};   // of the 1st, 2nd … session; beyond the list: without end
  int most_connections = -1;                    // then it no longer listens
  int away_ms = 0;                              // after the first session it listens to nobody for so long
  bool silent_instead = false;                  // a break is silence, not a closed connection
};

class ScriptedUnit {
 public:
  explicit ScriptedUnit(UnitScript script);
  ~ScriptedUnit();
  std::string url() const;
  // "1 OPTIONS", "1 DESCRIBE", …: the number of the connection and the method.
  std::vector<std::string> asked() const;
  int count(const std::string& what) const;

 private:
  void start_again();
  void serve(boost::asio::ip::tcp::socket socket, int number);
  void answer(boost::asio::ip::tcp::socket& socket, const std::string& request, const std::string& method);
  void note(const std::string& what);

  UnitScript script_;
  boost::asio::io_context context_;
  boost::asio::ip::tcp::acceptor acceptor_;
  std::uint16_t port_ = 0;
  std::atomic<bool> over_{false};
  mutable std::mutex mutex_;
  std::vector<std::string> asked_;
  std::uint16_t sequence_ = 1;
  std::uint32_t timestamp_ = 0;
  std::thread thread_;
};

}  // namespace tallywire::test
