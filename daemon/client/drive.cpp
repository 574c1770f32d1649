#include "daemon/client/drive.hpp"

#include "daemon/client/output.hpp"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/signal_set.hpp>

#include <csignal>

namespace tallywire::client {

namespace asio = boost::asio;

int drive(asio::io_context& context, asio::awaitable<int> work, std::function<void()> interrupt) {
  int code = exit_unread;
  asio::signal_set signals(context, SIGINT, SIGTERM);
  signals.async_wait([&](const boost::system::error_code& failed, int) {
    if (!failed) interrupt();
  });
  asio::co_spawn(context, std::move(work), [&](std::exception_ptr failure, int done) {
    signals.cancel();
    if (failure) std::rethrow_exception(failure);
    code = done;
  });
  context.run();
  return code;
}

}  // namespace tallywire::client
