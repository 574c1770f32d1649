// Runs a command's work to its end on this thread; Ctrl-C asks it, through `interrupt`, to end cleanly.
#pragma once

#include <boost/asio/awaitable.hpp>
#include <boost/asio/io_context.hpp>

#include <functional>

namespace tallywire::client {

// The exit code that the work came to. Exceptions of the work come through.
int drive(boost::asio::io_context& context, boost::asio::awaitable<int> work, std::function<void()> interrupt);

}  // namespace tallywire::client
