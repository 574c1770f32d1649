// The TCP side of one stream: connects, drives the RTSP exchange, reads interleaved frames.
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"
#include "probes/wire/rtsp_exchange.hpp"
#include "probes/wire/url.hpp"

#include <boost/asio/awaitable.hpp>
#include <boost/asio/ip/tcp.hpp>

#include <chrono>
#include <functional>
#include <memory>
#include <string>
#include <vector>

namespace tallywire::stream {

class RtspSession {
 public:
  RtspSession(boost::asio::any_io_executor executor, wire::Url url, std::chrono::milliseconds answer_limit);

  boost::asio::awaitable<Outcome<bool>> connect();
  // Up to and including PLAY; each answer within the limit.
  boost::asio::awaitable<Outcome<bool>> play(wire::ExchangeSettings settings, std::vector<wire::PortPair> ports);

  // Takes every whole item that is buffered: frames go to the callback, messages are passed over.
  // A Fault when what came is no RTSP.
  using OnFrame = std::function<void(std::uint8_t channel, wire::Octets packet)>;
  Outcome<bool> take_buffered(const OnFrame& on_frame);
  // Waits for more octets; cancel() ends it. False: the unit closed the connection.
  boost::asio::awaitable<Outcome<bool>> read_more();
  // Reads what is there without waiting; for UDP, where this connection is only control.
  void read_without_waiting();

  // Best effort, within a second: nobody waits for the answer.
  boost::asio::awaitable<void> end();
  boost::asio::awaitable<void> keep_alive();
  boost::asio::awaitable<void> send_frame(std::uint8_t channel, std::vector<std::uint8_t> packet);
  void cancel();

  const wire::ExchangeResult& result() const { return exchange_->result(); }
  std::string own_address() const;
  std::uint64_t octets_read() const { return octets_read_; }

 private:
  boost::asio::awaitable<Outcome<bool>> open();
  boost::asio::awaitable<Outcome<bool>> write(std::string octets);
  boost::asio::awaitable<Outcome<wire::RtspMessage>> answer();

  boost::asio::ip::tcp::socket socket_;
  wire::Url url_;
  std::string where_;
  std::chrono::milliseconds limit_;
  std::unique_ptr<wire::RtspExchange> exchange_;
  std::vector<std::uint8_t> buffer_;
  std::size_t begin_ = 0;  // of what is not yet taken
  std::size_t end_ = 0;
  std::uint64_t octets_read_ = 0;
  bool open_ = false;
};

}  // namespace tallywire::stream
