#include "daemon/client/ask_once.hpp"

#include "daemon/api/client.hpp"
#include "daemon/client/drive.hpp"

#include <boost/asio/io_context.hpp>

#include <chrono>
#include <optional>

namespace tallywire::client {

namespace asio = boost::asio;
using nlohmann::json;

namespace {

struct Answer {
  json body;
  std::optional<Fault> fault = Fault{FaultKind::cancelled, "the question was ended", "", ""};
};

asio::awaitable<int> ask(std::string socket, std::string method, std::string target, json body, Answer& out) {
  auto answer = co_await api::ask_service(std::move(socket), std::move(method), std::move(target), std::move(body), std::chrono::seconds(40));
  if (answer) {
    out.body = std::move(answer->body);
    out.fault.reset();
  } else {
    out.fault = answer.error();
  }
  co_return 0;
}

}  // namespace

Outcome<json> ask_once(const std::string& socket, const std::string& method, const std::string& target, const json& body) {
  asio::io_context context(1);
  Answer out;
  auto asking = ask(socket, method, target, body, out);
  drive(context, std::move(asking), [&context] { context.stop(); });
  if (out.fault) return *out.fault;
  return Outcome<json>(boost::system::in_place_value, std::move(out.body));
}

}  // namespace tallywire::client
