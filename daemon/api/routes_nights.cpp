// Drift, what changed between two rounds, and who is told.
#include "daemon/api/routes.hpp"

#include <charconv>

namespace tallywire::api {

namespace asio = boost::asio;
using nlohmann::json;

namespace {

Reply answer_of(const Outcome<json>& outcome) {
  if (outcome) return {200, "application/json", json_line(*outcome), false, 0};
  return error_reply(outcome.error().kind == FaultKind::bad_request ? 404 : 503, outcome.error());
}

std::optional<std::int64_t> number_of(std::string_view text) {
  std::int64_t value = 0;
  const auto [end, code] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (code != std::errc() || end != text.data() + text.size() || value <= 0) return std::nullopt;
  return value;
}

}  // namespace

asio::awaitable<Reply> Routes::nights(Request request) {
  if (request.path == "/api/drift") {
    auto drift = co_await service_.drift();
    co_return answer_of(drift);
  }
  if (request.path == "/api/telling") {
    auto telling = co_await service_.telling();
    co_return answer_of(telling);
  }
  constexpr std::string_view before = "/api/rounds/", after = "/changes";
  const auto round = number_of(std::string_view(request.path).substr(before.size(), request.path.size() - before.size() - after.size()));
  const auto since = number_of(request.parameter("since"));
  if (!round || !since)
    co_return error_reply(400, {FaultKind::bad_request, "two rounds are compared by their numbers", request.path, "/api/rounds/7/changes?since=3"});
  auto changes = co_await service_.changes(*round, *since);
  co_return answer_of(changes);
}

bool Routes::is_of_nights(const Request& request) {
  const auto& path = request.path;
  return request.method == "GET" &&
         (path == "/api/drift" || path == "/api/telling" || (path.starts_with("/api/rounds/") && path.ends_with("/changes") && path.size() > 20));
}

}  // namespace tallywire::api
