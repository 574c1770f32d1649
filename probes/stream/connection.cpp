#include "probes/stream/connection.hpp"

#include "probes/deadline.hpp"
#include "probes/stream/tcp_counters.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/buffer.hpp>
#include <boost/asio/ip/address.hpp>
#include <boost/asio/write.hpp>

#include <array>
#include <cerrno>
#include <cstring>

#include <sys/socket.h>
#include <sys/uio.h>
#include <unistd.h>

namespace tallywire::stream {

namespace asio = boost::asio;
using asio::ip::tcp;

namespace {

// A piece has one time stamp, that of its last octet: small pieces keep a burst's packets apart, large ones save calls.
constexpr std::size_t piece_octets = 16 * 1024;

Fault closed_fault(const std::string& where) {
  return {FaultKind::unreachable, "the unit closed the connection", where,
          "repeat; if it stays so, look whether it serves too many viewers already"};
}

Fault broken_fault(const boost::system::error_code& code, const std::string& where) {
  if (code == asio::error::operation_aborted) return {FaultKind::cancelled, "stopped", where, ""};
  if (code == asio::error::eof || code == asio::error::connection_reset) return closed_fault(where);
  return {FaultKind::unreachable, "the connection broke: " + code.message(), where, "check the cable, then repeat"};
}

Fault connect_fault(const boost::system::error_code& code, const std::string& where) {
  if (code == asio::error::connection_refused)
    return {FaultKind::unreachable, "the unit refuses connections on this port", where,
            "check the port, and that RTSP is switched on in the unit"};
  if (code == asio::error::operation_aborted) return {FaultKind::cancelled, "stopped", where, ""};
  return {FaultKind::unreachable, "the unit cannot be reached: " + code.message(), where,
          "check address, cable and power; then this machine's own address and mask"};
}

boost::system::error_code last_error() { return {errno, boost::system::system_category()}; }

SystemTime time_of(const msghdr& message) {
  for (const cmsghdr* c = CMSG_FIRSTHDR(&message); c; c = CMSG_NXTHDR(const_cast<msghdr*>(&message), const_cast<cmsghdr*>(c)))
    if (c->cmsg_level == SOL_SOCKET && c->cmsg_type == SCM_TIMESTAMPNS) {
      timespec at{};
      std::memcpy(&at, CMSG_DATA(c), sizeof at);
      return SystemTime(std::chrono::seconds(at.tv_sec) + std::chrono::nanoseconds(at.tv_nsec));
    }
  return now_utc();  // the kernel had none
}

}  // namespace

std::string ConnectionPlace::text() const {
  const bool v6 = address.find(':') != std::string::npos;
  return (v6 ? "[" + address + "]" : address) + ":" + std::to_string(tcp_port);
}

Connection::Connection(asio::any_io_executor executor, ConnectionPlace place, std::chrono::milliseconds limit)
    : socket_(std::move(executor)), place_(std::move(place)), limit_(limit) {}

Connection::~Connection() {
  if (drained_ >= 0) ::close(drained_);
}

asio::awaitable<Outcome<bool>> Connection::connect() {
  boost::system::error_code code;
  const auto address = asio::ip::make_address(place_.address, code);
  if (code) {
    Fault fault{FaultKind::bad_request, "the host is no IP address: " + place_.address, place_.address,
                "give the unit's address in numbers"};
    co_return fault;
  }
  tcp::endpoint endpoint(address, place_.tcp_port);
  auto [failed] = co_await socket_.async_connect(endpoint, asio::as_tuple(asio::use_awaitable));
  if (failed) co_return connect_fault(failed, place_.text());
  socket_.set_option(tcp::no_delay(true), code);
  const int on = 1;
  setsockopt(socket_.native_handle(), SOL_SOCKET, SO_TIMESTAMPNS, &on, sizeof on);
  const auto local = socket_.local_endpoint(code);
  if (!code) own_address_ = local.address().to_string();
  if (!code) own_port_ = local.port();
  if (!place_.tls) co_return true;
  auto shaking = shake_hands();
  co_return co_await std::move(shaking);
}

asio::awaitable<Outcome<bool>> Connection::shake_hands() {
  tls_ = std::make_unique<TlsChannel>(place_.text());
  std::array<std::uint8_t, 4096> buffer;
  std::size_t count = 0;
  for (;;) {
    auto done = tls_->shake_hands({buffer.data(), count});
    auto writing = write_raw(tls_->take_outgoing());  // an alert too, when it failed
    auto written = co_await std::move(writing);
    if (!done) co_return done.error();
    if (!written) co_return written.error();
    if (*done) co_return true;
    auto [failed, got] = co_await socket_.async_read_some(asio::buffer(buffer), asio::as_tuple(asio::use_awaitable));
    if (failed) co_return broken_fault(failed, place_.text());
    count = got;
    octets_read_ += got;
  }
}

asio::awaitable<Outcome<bool>> Connection::open() {
  auto connecting = connect();
  co_return co_await within<bool>(limit_, std::move(connecting), "connecting", place_.text());
}

asio::awaitable<Outcome<bool>> Connection::write_raw(std::string octets) {
  if (octets.empty()) co_return true;
  auto [failed, sent] =
      co_await asio::async_write(socket_, asio::buffer(octets), asio::as_tuple(asio::use_awaitable));
  if (failed) co_return broken_fault(failed, place_.text());
  co_return true;
}

asio::awaitable<Outcome<bool>> Connection::write(std::string octets) {
  if (tls_) {
    auto encrypted = tls_->send(octets);
    if (!encrypted) co_return encrypted.error();
    octets = tls_->take_outgoing();
  }
  auto writing = write_raw(std::move(octets));
  co_return co_await within<bool>(limit_, std::move(writing), "sending a request", place_.text());
}

Outcome<bool> Connection::hand_on(wire::Octets came, SystemTime when, const OnOctets& on_octets) {
  octets_read_ += came.size();
  if (tls_) return tls_->receive(came, [&](wire::Octets plain) { on_octets(plain, when); });
  on_octets(came, when);
  return true;
}

asio::awaitable<Outcome<bool>> Connection::read(const OnOctets& on_octets) {
  std::array<std::uint8_t, 4096> buffer;
  auto [failed, count] = co_await socket_.async_read_some(asio::buffer(buffer), asio::as_tuple(asio::use_awaitable));
  if (failed == asio::error::eof) co_return false;
  if (failed) co_return broken_fault(failed, place_.text());
  co_return hand_on({buffer.data(), count}, now_utc(), on_octets);
}

void Connection::cancel() {
  boost::system::error_code code;
  if (socket_.is_open()) socket_.cancel(code);
}

void Connection::begin_draining() {
  boost::system::error_code code;
  if (drained_ >= 0 || !socket_.is_open()) return;
  socket_.native_non_blocking(true, code);
  drained_ = socket_.release(code);
  if (const auto counters = read_tcp_counters(drained_)) {
    octets_before_ = counters->octets_received;
    segments_before_ = counters->data_segments_received;
  }
}

Outcome<bool> Connection::drain(const OnOctets& on_octets) {
  if (drained_ < 0) return closed_fault(place_.text());
  static thread_local std::array<std::uint8_t, piece_octets> piece;
  for (std::size_t taken = 0; taken < most_a_drain;) {
    iovec vector{piece.data(), piece.size()};
    alignas(cmsghdr) std::array<char, 64> control;
    msghdr message{};
    message.msg_iov = &vector;
    message.msg_iovlen = 1;
    message.msg_control = control.data();
    message.msg_controllen = control.size();
    const ssize_t count = ::recvmsg(drained_, &message, MSG_DONTWAIT);
    if (count == 0) return false;
    if (count < 0 && errno == EINTR) continue;
    if (count < 0 && (errno == EAGAIN || errno == EWOULDBLOCK)) break;
    if (count < 0) return broken_fault(last_error(), place_.text());
    const auto size = static_cast<std::size_t>(count);
    auto open = hand_on({piece.data(), size}, time_of(message), on_octets);
    if (!open || !*open) return open;
    taken += size;
    if (size < piece.size()) break;
  }
  auto sent = flush();
  if (!sent) return sent.error();
  return true;
}

Outcome<void> Connection::queue(std::string_view octets) {
  if (tls_) {
    auto encrypted = tls_->send(octets);
    if (!encrypted) return encrypted;
    waiting_ += tls_->take_outgoing();
  } else {
    waiting_ += octets;
  }
  if (waiting_.size() > most_waiting)
    return Fault{FaultKind::timed_out, "the unit does not read what is sent to it", place_.text(), "restart the unit"};
  return flush();
}

Outcome<void> Connection::flush() {
  if (tls_) waiting_ += tls_->take_outgoing();  // TLS answers some of what comes by itself
  while (!waiting_.empty() && drained_ >= 0) {
    const ssize_t sent = ::send(drained_, waiting_.data(), waiting_.size(), MSG_DONTWAIT | MSG_NOSIGNAL);
    if (sent < 0 && errno == EINTR) continue;
    if (sent < 0 && (errno == EAGAIN || errno == EWOULDBLOCK)) break;
    if (sent < 0) return broken_fault(last_error(), place_.text());
    waiting_.erase(0, static_cast<std::size_t>(sent));
  }
  return {};
}

std::optional<double> Connection::mean_segment_octets() const {
  const auto counters = drained_ < 0 ? std::nullopt : read_tcp_counters(drained_);
  if (!counters || counters->data_segments_received <= segments_before_) return std::nullopt;
  return static_cast<double>(counters->octets_received - octets_before_) /
         static_cast<double>(counters->data_segments_received - segments_before_);
}

std::optional<TlsFacts> Connection::tls_facts() const {
  if (!tls_) return std::nullopt;
  return tls_->facts();
}

}  // namespace tallywire::stream
