// Drift, what changed between two rounds, and who is told.
#include "daemon/api/routes.hpp"

#include "probes/deadline.hpp"

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

// Why this round is not compared; none: it is. Of a round that ended early, or read some units only, most would be told as gone.
std::optional<Reply> not_compared(record::Record& record, std::int64_t id) {
  auto found = record.rounds_between(id, id, SystemTime{}, 0, 1);
  if (!found) return error_reply(503, found.error());
  const auto name = "round " + std::to_string(id);
  if (found->empty()) return error_reply(404, {FaultKind::bad_request, name + " is not here", "", "the page lists the rounds"});
  const auto& head = found->front();
  std::string why;
  if (head.kind == "prove") why = " is a proof of some units";
  else if (head.state == "broken_off") why = " was broken off";
  else if (head.state == "cancelled") why = " was cancelled";
  else if (head.state != "complete") why = " has not ended";
  if (why.empty()) return std::nullopt;
  return error_reply(422, {FaultKind::bad_request, name + why, "", "compare two complete rounds of the whole site; the page lists them"});
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
  std::function<std::optional<Reply>()> look = [this, a = *round, b = *since] {
    auto refused = not_compared(record_, a);
    return refused ? refused : not_compared(record_, b);
  };
  auto refused = co_await offload<std::optional<Reply>>(reading_, std::move(look));
  if (refused) co_return *refused;
  auto changes = co_await service_.changes(*round, *since);
  if (!changes && changes.error().kind == FaultKind::bad_request) co_return error_reply(422, changes.error());
  co_return answer_of(changes);
}

bool Routes::is_of_nights(const Request& request) {
  const auto& path = request.path;
  return request.method == "GET" &&
         (path == "/api/drift" || path == "/api/telling" || (path.starts_with("/api/rounds/") && path.ends_with("/changes") && path.size() > 20));
}

}  // namespace tallywire::api
