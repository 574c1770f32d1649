#include "probes/stream/rtsp_session.hpp"

#include "probes/deadline.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/buffer.hpp>
#include <boost/asio/ip/address.hpp>
#include <boost/asio/write.hpp>

#include <algorithm>
#include <cstring>

namespace tallywire::stream {

namespace asio = boost::asio;
using asio::ip::tcp;

namespace {

// Room for the largest message (1 MiB) with its head; interleaved frames are at most 64 KiB.
constexpr std::size_t first_buffer = 64 * 1024;
constexpr std::size_t largest_buffer = 1024 * 1024 + 128 * 1024;

Fault connect_fault(const boost::system::error_code& code, const std::string& where) {
  if (code == asio::error::connection_refused)
    return {FaultKind::unreachable, "the unit refuses connections on this port", where,
            "check the port, and that RTSP is switched on in the unit"};
  if (code == asio::error::operation_aborted) return {FaultKind::cancelled, "stopped", where, ""};
  return {FaultKind::unreachable, "the unit cannot be reached: " + code.message(), where,
          "check address, cable and power; then this machine's own address and mask"};
}

Fault broken_fault(const boost::system::error_code& code, const std::string& where) {
  if (code == asio::error::operation_aborted) return {FaultKind::cancelled, "stopped", where, ""};
  if (code == asio::error::eof)
    return {FaultKind::unreachable, "the unit closed the connection", where,
            "repeat; if it stays so, look whether it serves too many viewers already"};
  return {FaultKind::unreachable, "the connection broke: " + code.message(), where, "check the cable, then repeat"};
}

}  // namespace

RtspSession::RtspSession(asio::any_io_executor executor, wire::Url url, std::chrono::milliseconds answer_limit)
    : socket_(std::move(executor)),
      url_(std::move(url)),
      where_(url_.host + ":" + std::to_string(url_.port)),
      limit_(answer_limit),
      buffer_(first_buffer) {}

asio::awaitable<Outcome<bool>> RtspSession::open() {
  boost::system::error_code code;
  const auto address = asio::ip::make_address(url_.host, code);
  if (code) {
    Fault fault{FaultKind::bad_request, "the host is no IP address: " + url_.host, url_.host,
                "give the unit's address in numbers"};
    co_return fault;
  }
  tcp::endpoint endpoint(address, url_.port);
  auto [failed] = co_await socket_.async_connect(endpoint, asio::as_tuple(asio::use_awaitable));
  if (failed) co_return connect_fault(failed, where_);
  open_ = true;
  socket_.set_option(tcp::no_delay(true), code);
  co_return true;
}

asio::awaitable<Outcome<bool>> RtspSession::connect() {
  auto opening = open();
  co_return co_await within<bool>(limit_, std::move(opening), "connecting", where_);
}

std::string RtspSession::own_address() const {
  boost::system::error_code code;
  const auto local = socket_.local_endpoint(code);
  return code ? std::string() : local.address().to_string();
}

asio::awaitable<Outcome<bool>> RtspSession::write(std::string octets) {
  auto [failed, sent] =
      co_await asio::async_write(socket_, asio::buffer(octets), asio::as_tuple(asio::use_awaitable));
  if (failed) co_return broken_fault(failed, where_);
  co_return true;
}

asio::awaitable<Outcome<bool>> RtspSession::read_more() {
  if (begin_ > 0) {  // what was taken makes room
    std::memmove(buffer_.data(), buffer_.data() + begin_, end_ - begin_);
    end_ -= begin_;
    begin_ = 0;
  }
  if (end_ == buffer_.size()) buffer_.resize(std::min(buffer_.size() * 2, largest_buffer));
  if (end_ == buffer_.size()) {
    Fault fault{FaultKind::malformed, "the unit sends a message larger than any RTSP needs", where_, ""};
    co_return fault;
  }
  auto [failed, count] = co_await socket_.async_read_some(
      asio::buffer(buffer_.data() + end_, buffer_.size() - end_), asio::as_tuple(asio::use_awaitable));
  if (failed == asio::error::eof) co_return false;
  if (failed) co_return broken_fault(failed, where_);
  end_ += count;
  octets_read_ += count;
  co_return true;
}

void RtspSession::read_without_waiting() {
  boost::system::error_code code;
  if (!open_ || socket_.available(code) == 0 || code) return;
  if (end_ == buffer_.size()) begin_ = end_ = 0;
  end_ += socket_.read_some(asio::buffer(buffer_.data() + end_, buffer_.size() - end_), code);
  const OnFrame nobody = [](std::uint8_t, wire::Octets) {};
  if (!take_buffered(nobody)) begin_ = end_ = 0;
}

Outcome<bool> RtspSession::take_buffered(const OnFrame& on_frame) {
  for (;;) {
    const auto item = wire::parse_rtsp(wire::Octets(buffer_).subspan(begin_, end_ - begin_));
    if (item.what == wire::ParsedRtsp::What::need_more) return true;
    if (item.what == wire::ParsedRtsp::What::malformed)
      return Fault{FaultKind::malformed, "the unit sent " + item.fault, where_, "repeat; then restart the unit"};
    if (item.what == wire::ParsedRtsp::What::frame) on_frame(item.channel, item.packet);
    begin_ += item.consumed;
  }
}

asio::awaitable<Outcome<wire::RtspMessage>> RtspSession::answer() {
  for (;;) {
    auto item = wire::parse_rtsp(wire::Octets(buffer_).subspan(begin_, end_ - begin_));
    if (item.what == wire::ParsedRtsp::What::malformed) {
      Fault fault{FaultKind::malformed, "the unit sent " + item.fault, where_, "check that this port speaks RTSP"};
      co_return fault;
    }
    begin_ += item.consumed;
    if (item.what == wire::ParsedRtsp::What::message) co_return std::move(item.message);
    if (item.what == wire::ParsedRtsp::What::frame) continue;
    auto more = co_await read_more();
    if (!more) co_return more.error();
    if (!*more) co_return broken_fault(asio::error::eof, where_);
  }
}

asio::awaitable<Outcome<bool>> RtspSession::play(wire::ExchangeSettings settings, std::vector<wire::PortPair> ports) {
  settings.where = where_;
  exchange_ = std::make_unique<wire::RtspExchange>(std::move(settings));
  auto action = exchange_->begin();
  for (;;) {
    if (action.kind == wire::ExchangeAction::Kind::open_ports) action = exchange_->give_ports(ports);
    if (action.kind != wire::ExchangeAction::Kind::send) break;
    if (!action.octets.empty()) {
      auto writing = write(std::move(action.octets));
      auto sent = co_await within<bool>(limit_, std::move(writing), "sending a request", where_);
      if (!sent) co_return sent.error();
    }
    auto reading = answer();
    auto came = co_await within<wire::RtspMessage>(limit_, std::move(reading), "the unit's answer", where_);
    if (!came) co_return came.error();
    action = exchange_->resume(*came);
  }
  if (action.kind == wire::ExchangeAction::Kind::failed) co_return std::move(action.fault);
  if (action.kind != wire::ExchangeAction::Kind::playing) {
    Fault fault{FaultKind::refused, "the unit sends us on to " + action.url, where_, "ask for that address"};
    co_return fault;
  }
  co_return true;
}

asio::awaitable<void> RtspSession::end() {
  if (!exchange_ || !open_) co_return;
  auto octets = exchange_->teardown();
  if (octets.empty()) co_return;
  auto writing = write(std::move(octets));
  co_await within<bool>(std::chrono::seconds(1), std::move(writing), "ending the session", where_);
  boost::system::error_code code;
  socket_.shutdown(tcp::socket::shutdown_both, code);
}

asio::awaitable<void> RtspSession::keep_alive() {
  auto writing = write(exchange_->keep_alive());
  co_await within<bool>(limit_, std::move(writing), "keeping the session alive", where_);
}

asio::awaitable<void> RtspSession::send_frame(std::uint8_t channel, std::vector<std::uint8_t> packet) {
  std::string octets = {'$', static_cast<char>(channel), static_cast<char>(packet.size() >> 8),
                        static_cast<char>(packet.size() & 0xff)};
  octets.append(packet.begin(), packet.end());
  auto writing = write(std::move(octets));
  co_await within<bool>(limit_, std::move(writing), "sending a report", where_);
}

void RtspSession::cancel() {
  boost::system::error_code code;
  socket_.cancel(code);
}

}  // namespace tallywire::stream
