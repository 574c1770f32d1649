#include "probes/deadline.hpp"

#include <boost/asio/as_tuple.hpp>

namespace tallywire {

boost::asio::awaitable<bool> pause_for(std::chrono::milliseconds duration) {
  namespace asio = boost::asio;
  asio::steady_timer timer(co_await asio::this_coro::executor, duration);
  auto [code] = co_await timer.async_wait(asio::as_tuple(asio::use_awaitable));
  co_return !code;
}

}  // namespace tallywire
