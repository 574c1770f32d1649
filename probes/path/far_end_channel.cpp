#include "probes/path/far_end_channel.hpp"

#include "probes/deadline.hpp"
#include "probes/wire/far_end_handshake.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/buffer.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/thread_pool.hpp>
#include <boost/asio/write.hpp>

#include <netinet/in.h>
#include <netinet/tcp.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cstring>
#include <utility>

namespace tallywire::path {

namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

constexpr std::size_t buffer_octets = 64 * 1024;

// Owns the socket while the bulk runs. When the coroutine is dropped meanwhile, the bulk ends before what it works with is gone.
struct BulkThread {
  BulkThread(int h, std::atomic<bool>& s) : handle(h), stop(s) {}
  ~BulkThread() {
    stop = true;
    pool.join();
    if (handle >= 0) ::close(handle);
  }
  int give_back() { return std::exchange(handle, -1); }
  BulkThread(const BulkThread&) = delete;
  BulkThread& operator=(const BulkThread&) = delete;

  int handle;
  std::atomic<bool>& stop;
  asio::thread_pool pool{1};
};

// The kernel asks a peer that says nothing whether it is still there, and does not wait for ever for it to take what was sent.
void end_when_silent(int handle) {
  constexpr int limit_s = static_cast<int>(FarEndChannel::silence_limit.count());
  constexpr int on = 1, idle_s = limit_s / 2, between_s = limit_s / 4, questions = 2;
  constexpr unsigned limit_ms = 1000U * limit_s;
  ::setsockopt(handle, SOL_SOCKET, SO_KEEPALIVE, &on, sizeof on);
  ::setsockopt(handle, IPPROTO_TCP, TCP_KEEPIDLE, &idle_s, sizeof idle_s);
  ::setsockopt(handle, IPPROTO_TCP, TCP_KEEPINTVL, &between_s, sizeof between_s);
  ::setsockopt(handle, IPPROTO_TCP, TCP_KEEPCNT, &questions, sizeof questions);
  ::setsockopt(handle, IPPROTO_TCP, TCP_USER_TIMEOUT, &limit_ms, sizeof limit_ms);
}

}  // namespace

asio::ip::address plain_address(const asio::ip::address& address) {
  if (address.is_v6() && address.to_v6().is_v4_mapped()) return asio::ip::make_address_v4(asio::ip::v4_mapped, address.to_v6());
  return address;
}

FarEndChannel::FarEndChannel(asio::ip::tcp::socket socket, std::string where)
    : socket_(std::move(socket)), where_(std::move(where)), buffer_(buffer_octets) {
  boost::system::error_code code;
  socket_.set_option(asio::ip::tcp::no_delay(true), code);
  end_when_silent(socket_.native_handle());
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

// Takes nothing out of the buffer, so that being cancelled loses nothing.
asio::awaitable<Outcome<bool>> FarEndChannel::read_until_frame() {
  while (wire::parse_far_end_frame(wire::Octets(buffer_).first(held_)).what == wire::FarEndFrame::What::need_more) {
    auto [code, count] = co_await socket_.async_read_some(
        asio::buffer(buffer_.data() + held_, buffer_.size() - held_), asio::as_tuple(asio::use_awaitable));
    if (code) co_return broken(code);
    held_ += count;
  }
  co_return true;
}

asio::awaitable<Outcome<nlohmann::json>> FarEndChannel::receive(std::chrono::milliseconds limit) {
  auto reading = read_until_frame();
  const auto came = co_await within<bool>(limit, std::move(reading), "the other end's answer", where_);
  auto frame = wire::parse_far_end_frame(wire::Octets(buffer_).first(held_));
  if (frame.what == wire::FarEndFrame::What::malformed) {
    Fault fault{FaultKind::malformed, "this is no far end that we know", where_, "check address and port"};
    co_return fault;
  }
  if (frame.what == wire::FarEndFrame::What::need_more) co_return came.error();
  held_ -= frame.consumed;
  std::memmove(buffer_.data(), buffer_.data() + frame.consumed, held_);
  Outcome<nlohmann::json> out(boost::system::in_place_value, std::move(frame.body));
  co_return out;
}

asio::awaitable<bool> FarEndChannel::wait_for_word() {
  if (held_ > 0) co_return true;
  auto [code] = co_await socket_.async_wait(asio::ip::tcp::socket::wait_read, asio::as_tuple(asio::use_awaitable));
  co_return code != asio::error::operation_aborted;
}

// The reactor lets the socket go while the bulk runs: it would wake the network thread for every piece that comes.
template <class R>
asio::awaitable<Outcome<R>> FarEndChannel::run_bulk(Outcome<R> (*bulk)(int, const BulkOrder&, const std::atomic<bool>&, const BulkTick&),
                                                    BulkOrder order, OnTime on_time) {
  if (held_ > 0) {
    Fault fault{FaultKind::malformed, "the other end spoke out of turn", where_, ""};
    co_return fault;
  }
  boost::system::error_code code;
  const auto protocol = socket_.local_endpoint(code).protocol();
  const int handle = socket_.release(code);
  if (code) co_return broken(code);
  auto executor = co_await asio::this_coro::executor;
  order.where = where_;
  struct Teller {
    OnTime call;
    bool live = true;
  };
  auto teller = std::make_shared<Teller>();
  teller->call = std::move(on_time);
  BulkTick tick = [executor, teller](double done_s) {
    asio::post(executor, [teller, done_s] {
      if (teller->live && teller->call) teller->call(done_s);
    });
  };
  BulkThread thread(handle, cancelled_);
  std::function<Outcome<R>()> work = [this, handle, bulk, &order, &tick] { return bulk(handle, order, cancelled_, tick); };
  auto out = co_await offload<Outcome<R>>(thread.pool, std::move(work));
  teller->live = false;
  socket_.assign(protocol, thread.give_back(), code);
  if (code) co_return broken(code);
  co_return out;
}

asio::awaitable<Outcome<BulkSent>> FarEndChannel::send_bulk(BulkOrder order, OnTime on_time) {
  co_return co_await run_bulk<BulkSent>(&path::send_bulk, std::move(order), std::move(on_time));
}

asio::awaitable<Outcome<BulkReceived>> FarEndChannel::receive_bulk(BulkOrder order, OnTime on_time) {
  co_return co_await run_bulk<BulkReceived>(&path::receive_bulk, std::move(order), std::move(on_time));
}

asio::ip::address FarEndChannel::local_address() const {
  boost::system::error_code code;
  return plain_address(socket_.local_endpoint(code).address());
}

asio::ip::address FarEndChannel::peer_address() const {
  boost::system::error_code code;
  return plain_address(socket_.remote_endpoint(code).address());
}

void FarEndChannel::cancel() {
  cancelled_ = true;
  boost::system::error_code code;
  socket_.cancel(code);
}

}  // namespace tallywire::path
