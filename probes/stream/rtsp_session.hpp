// One RTSP session over one connection: connects, drives the conversation up to PLAY, and then is drained at each beat:
// frames go to the receiver, messages back into the conversation.
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"
#include "probes/stream/connection.hpp"
#include "probes/wire/rtsp_exchange.hpp"
#include "probes/wire/rtsp_input.hpp"
#include "probes/wire/url.hpp"

#include <boost/asio/awaitable.hpp>

#include <chrono>
#include <functional>
#include <memory>
#include <string>
#include <vector>

namespace tallywire::stream {

class RtspSession {
 public:
  RtspSession(boost::asio::any_io_executor executor, wire::Url url, std::chrono::milliseconds answer_limit);
  // A session that was not ended sends its TEARDOWN without waiting.
  ~RtspSession();

  // UDP: opens that many pairs of ports, for packets to this address of ours.
  using OpenPorts = std::function<Outcome<std::vector<wire::PortPair>>(std::size_t count, const std::string& own_address)>;
  // Connects and goes up to and including PLAY; each answer within the limit, the whole within three times that. After it,
  // also after a failure, the session is drained.
  boost::asio::awaitable<Outcome<bool>> play(wire::ExchangeSettings settings, OpenPorts open_ports);
  // Ends play() early.
  void cancel();

  // Takes what has come. False: the unit closed the connection. A Fault when it broke, is no RTSP, or the session is gone.
  using OnFrame = std::function<void(std::uint8_t channel, wire::Octets packet, SystemTime when)>;
  Outcome<bool> drain(const OnFrame& on_frame);
  // Each sends what the socket takes now; the rest leaves at the next drains.
  Outcome<void> keep_alive();
  Outcome<void> send_frame(std::uint8_t channel, const std::vector<std::uint8_t>& packet);

  // Sends TEARDOWN; false when there is nothing to end. Then drain until ended() or the connection closes.
  bool begin_end();
  bool ended() const { return ended_; }

  const wire::ExchangeResult& result() const { return exchange_->result(); }
  const Connection& connection() const { return *connection_; }
  std::string own_address() const { return connection_ ? connection_->own_address() : std::string(); }
  // Octets of TLS beside what it carried, since play() began.
  std::uint64_t tls_octets() const { return connection_->octets_read() - plain_octets_; }

 private:
  boost::asio::awaitable<Outcome<bool>> converse(wire::ExchangeSettings settings, OpenPorts open_ports);
  boost::asio::awaitable<Outcome<bool>> connect(wire::ExchangeSettings& settings);
  boost::asio::awaitable<Outcome<wire::RtspMessage>> answer();
  Outcome<bool> take_message(wire::RtspMessage& message);
  Fault no_rtsp() const;

  boost::asio::any_io_executor executor_;
  wire::Url url_;
  std::chrono::milliseconds limit_;
  std::unique_ptr<Connection> connection_;
  std::unique_ptr<wire::RtspExchange> exchange_;
  wire::RtspInput input_;
  std::vector<std::uint8_t> inbox_;  // conversing: what `input_` looks at
  std::uint64_t plain_octets_ = 0;
  std::string teardown_cseq_;
  bool ended_ = false;
};

}  // namespace tallywire::stream
