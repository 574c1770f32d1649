#include "probes/path/far_end_channel.hpp"

#include "probes/deadline.hpp"
#include "probes/path/tcp_kernel.hpp"
#include "probes/wire/far_end_handshake.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/buffer.hpp>
#include <boost/asio/read.hpp>
#include <boost/asio/write.hpp>

#include <algorithm>
#include <cstring>

namespace tallywire::path {

namespace asio = boost::asio;
using Clock = std::chrono::steady_clock;
using namespace std::chrono_literals;

namespace {

constexpr std::size_t block_octets = 256 * 1024;
constexpr double segment_octets = 1448;
constexpr auto pace = 5ms;  // how finely a ceiling is kept

}  // namespace

FarEndChannel::FarEndChannel(asio::ip::tcp::socket socket, std::string where)
    : socket_(std::move(socket)), where_(std::move(where)), buffer_(block_octets) {
  boost::system::error_code code;
  socket_.set_option(asio::ip::tcp::no_delay(true), code);
}

Fault FarEndChannel::broken(const boost::system::error_code& code) const {
  if (code == asio::error::operation_aborted) return {FaultKind::cancelled, "stopped", where_, ""};
  if (code == asio::error::eof)
    return {FaultKind::unreachable, "the other end closed the connection", where_, "look in its log"};
  return {FaultKind::unreachable, "the connection broke: " + code.message(), where_, "check the path, then repeat"};
}

asio::awaitable<Outcome<bool>> FarEndChannel::write_all(std::string octets) {
  auto [code, sent] = co_await asio::async_write(socket_, asio::buffer(octets), asio::as_tuple(asio::use_awaitable));
  if (code) co_return broken(code);
  co_return true;
}

asio::awaitable<Outcome<bool>> FarEndChannel::send(std::string frame, std::chrono::milliseconds limit) {
  auto writing = write_all(std::move(frame));
  co_return co_await within<bool>(limit, std::move(writing), "sending", where_);
}

asio::awaitable<Outcome<nlohmann::json>> FarEndChannel::read_frame() {
  for (;;) {
    auto frame = wire::parse_far_end_frame(wire::Octets(buffer_).first(held_));
    if (frame.what == wire::FarEndFrame::What::malformed) {
      Fault fault{FaultKind::malformed, "this is no far end that we know", where_, "check address and port"};
      co_return fault;
    }
    if (frame.what == wire::FarEndFrame::What::frame) {
      held_ -= frame.consumed;
      std::memmove(buffer_.data(), buffer_.data() + frame.consumed, held_);
      Outcome<nlohmann::json> out(boost::system::in_place_value, std::move(frame.body));
      co_return out;
    }
    auto [code, count] = co_await socket_.async_read_some(
        asio::buffer(buffer_.data() + held_, buffer_.size() - held_), asio::as_tuple(asio::use_awaitable));
    if (code) co_return broken(code);
    held_ += count;
  }
}

asio::awaitable<Outcome<nlohmann::json>> FarEndChannel::receive(std::chrono::milliseconds limit) {
  auto reading = read_frame();
  co_return co_await within<nlohmann::json>(limit, std::move(reading), "the other end's answer", where_);
}

asio::awaitable<Outcome<FarEndChannel::Bulk>> FarEndChannel::write_bulk(std::chrono::milliseconds duration,
                                                                       double ceiling_bps, const OnTime& on_time) {
  std::vector<std::uint8_t> block(4 + block_octets, 0x5a);
  // Written is what one pace allows, or a segment where that is less (a tenth of a second's where even that is
  // long in coming): whatever the moment allows would be a few octets a frame, and most of the wire headers.
  const double octets_per_s = ceiling_bps / 8;
  const double pace_octets = octets_per_s * std::chrono::duration<double>(pace).count();
  const double least = std::min(segment_octets, octets_per_s / 10);
  const double portion = std::clamp(std::max(pace_octets, least), 5.0, 4.0 + block_octets);
  const auto begin = Clock::now();
  Bulk out;
  for (;;) {
    const auto now = Clock::now();
    out.seconds = std::chrono::duration<double>(now - begin).count();
    if (now - begin >= duration) break;
    if (on_time) on_time(out.seconds);
    // A bucket of one pace at the ceiling: never more on the wire than the ceiling allows so far.
    const double allowed = octets_per_s * out.seconds + pace_octets;
    if (out.octets + portion > allowed) {
      co_await pause_for(pace);
      continue;
    }
    const auto length = static_cast<std::uint32_t>(
        std::clamp(allowed - out.octets - 4, 1.0, static_cast<double>(block_octets)));
    for (int i = 0; i < 4; ++i) block[static_cast<std::size_t>(i)] = static_cast<std::uint8_t>(length >> (24 - 8 * i));
    auto view = asio::buffer(block.data(), 4 + length);
    auto [code, sent] = co_await asio::async_write(socket_, view, asio::as_tuple(asio::use_awaitable));
    if (code) co_return broken(code);
    out.octets += static_cast<double>(sent);
  }
  std::string end_mark(4, '\0');
  auto ended = co_await send(std::move(end_mark), 10s);
  if (!ended) co_return ended.error();
  co_return out;
}

// A peer that stops reading, or a cable that is cut, would hold a write for as long as the kernel has patience.
asio::awaitable<Outcome<FarEndChannel::Bulk>> FarEndChannel::send_bulk(std::chrono::milliseconds duration,
                                                                      double ceiling_bps, const OnTime& on_time) {
  auto writing = write_bulk(duration, ceiling_bps, on_time);
  co_return co_await within<Bulk>(duration + 10s, std::move(writing), "sending", where_);
}

asio::awaitable<Outcome<FarEndChannel::Bulk>> FarEndChannel::read_bulk(std::chrono::milliseconds skip,
                                                                      const OnTime& on_time) {
  const auto begin = Clock::now();
  Clock::time_point counted_from{}, last = begin;
  Bulk out;
  std::size_t in_block = 0;  // octets still to come of the block under way
  for (;;) {
    std::size_t at = 0;
    while (at < held_) {
      if (in_block > 0) {
        const auto taken = std::min(in_block, held_ - at);
        in_block -= taken;
        at += taken;
        continue;
      }
      if (held_ - at < 4) break;
      std::size_t length = 0;
      for (std::size_t i = 0; i < 4; ++i) length = length << 8 | buffer_[at + i];
      at += 4;
      if (length == 0) {  // the end mark; what follows belongs to the next frame
        held_ -= at;
        std::memmove(buffer_.data(), buffer_.data() + at, held_);
        if (counted_from != Clock::time_point{}) out.seconds = std::chrono::duration<double>(last - counted_from).count();
        co_return out;
      }
      if (length > block_octets) {
        Fault fault{FaultKind::malformed, "the other end sent a block of a length it may not have", where_, ""};
        co_return fault;
      }
      in_block = length;
    }
    held_ -= at;
    std::memmove(buffer_.data(), buffer_.data() + at, held_);
    auto [code, count] = co_await socket_.async_read_some(
        asio::buffer(buffer_.data() + held_, buffer_.size() - held_), asio::as_tuple(asio::use_awaitable));
    if (code) co_return broken(code);
    held_ += count;
    last = Clock::now();
    if (on_time) on_time(std::chrono::duration<double>(last - begin).count());
    if (counted_from == Clock::time_point{}) {
      if (last - begin >= skip) counted_from = last;
    } else {
      out.octets += static_cast<double>(count);
    }
  }
}

asio::awaitable<Outcome<FarEndChannel::Bulk>> FarEndChannel::receive_bulk(std::chrono::milliseconds skip,
                                                                         std::chrono::milliseconds limit,
                                                                         const OnTime& on_time) {
  auto reading = read_bulk(skip, on_time);
  co_return co_await within<Bulk>(limit, std::move(reading), "receiving", where_);
}

void FarEndChannel::read_kernel(ThroughputReport& out) { read_tcp_info(socket_.native_handle(), out); }

asio::ip::address FarEndChannel::local_address() const {
  boost::system::error_code code;
  return socket_.local_endpoint(code).address();
}

asio::ip::address FarEndChannel::peer_address() const {
  boost::system::error_code code;
  return socket_.remote_endpoint(code).address();
}

void FarEndChannel::cancel() {
  boost::system::error_code code;
  socket_.cancel(code);
}

}  // namespace tallywire::path
