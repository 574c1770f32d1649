#include "daemon/api/routes.hpp"

#include "daemon/api/event_feed.hpp"
#include "daemon/sheet/witnessed.hpp"
#include "probes/deadline.hpp"

#include <algorithm>
#include <charconv>

namespace tallywire::api {

namespace asio = boost::asio;
using nlohmann::json;
using namespace std::chrono_literals;

namespace {

constexpr double longest_wait_s = 30;
constexpr double usual_sweep_per_s = 100;  // addresses

std::optional<std::int64_t> whole(std::string_view text) {
  std::int64_t value = 0;
  const auto [end, code] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (code != std::errc() || end != text.data() + text.size()) return std::nullopt;
  return value;
}

Reply not_found(const std::string& what) {
  return error_reply(404, {FaultKind::bad_request, what + " is not here", "", "see docs/api.md"});
}

Reply bad_body() {
  return error_reply(400, {FaultKind::bad_request, "the body is not the JSON object that is expected", "", "see docs/api.md"});
}

std::string text(const json& body, const char* key) {
  const auto at = body.find(key);
  return at != body.end() && at->is_string() ? at->get<std::string>() : std::string();
}

// Empty when none are named; nothing when that is no list of words.
std::optional<std::vector<std::string>> cameras_of(const json& body) {
  std::vector<std::string> out;
  const auto at = body.find("cameras");
  if (at == body.end()) return out;
  if (!at->is_array()) return std::nullopt;
  for (const auto& one : *at) {
    if (!one.is_string()) return std::nullopt;
    out.push_back(one.get<std::string>());
  }
  return out;
}

}  // namespace

Reply json_reply(unsigned status, const json& body) { return {status, "application/json", json_line(body), false, 0}; }

unsigned status_of(const Fault& fault) { return fault.kind == FaultKind::bad_request ? 422 : 503; }

Reply error_reply(unsigned status, const Fault& fault) {
  return json_reply(status, {{"error",
                         {{"kind", name_of(fault.kind)},
                          {"what", fault.what},
                          {"where", fault.where},
                          {"try_next", fault.try_next}}}});
}

asio::awaitable<Reply> Routes::answer(Request request) {
  const auto& path = request.path;
  const bool get = request.method == "GET";
  const auto under = [&path](std::string_view prefix) {
    return path.substr(0, prefix.size()) == prefix ? path.substr(prefix.size()) : std::string();
  };
  Reply out = not_found(path);
  if (get && path == "/api/service") out = json_reply(200, service_.describe());
  else if (get && path == "/api/site") out = json_reply(200, service_.site());
  else if (get && path == "/api/roll") out = json_reply(200, service_.roll());
  else if (get && path == "/api/units") out = {200, "application/json", service_.units(), false, 0};
  else if (get && path == "/api/asked") out = json_reply(200, service_.asked());
  else if (path == "/api/sweep") out = sweep(request);
  else if (path == "/api/bench") out = bench(request);
  else if (get && path == "/metrics") out = co_await metrics();
  else if (get && path == "/api/openapi.json") out = {200, "application/json", std::string(openapi_text()), false, 0};
  else if (path == "/api/history" || path == "/api/nights" || path == "/api/record" || !under("/api/record/").empty())
    out = co_await about_record(std::move(request));
  else if (is_of_nights(request)) out = co_await nights(std::move(request));
  else if (path == "/api/rounds") out = co_await rounds(std::move(request));
  else if (auto id = under("/api/rounds/"); !id.empty()) out = co_await one_round(std::move(request), std::move(id));
  else if (get && path == "/api/headroom") out = co_await headroom();
  else if (get && path == "/api/days_held") out = co_await days_held();
  else if (get && path == "/api/tap") out = tap(request);
  else if (get && path == "/api/tap/live") out = co_await tap_live(std::move(request));
  else if (path == "/api/asks") out = co_await asks(std::move(request), "");
  else if (auto ask = under("/api/asks/"); !ask.empty()) out = co_await asks(std::move(request), std::move(ask));
  else if (get && path == "/api/witness_points") out = co_await witness_points();
  else if (get && path == "/api/sheet") out = co_await sheet(std::move(request));
  else if (path == "/api/witnesses") out = co_await witnesses(std::move(request));
  else if (get && path == "/api/events") out = feed(request);
  else if (get && path.substr(0, 5) != "/api/") out = file(request);
  co_return out;
}

Reply Routes::sweep(const Request& request) {
  if (request.method == "GET") return json_reply(200, service_.sweep());
  if (request.method == "DELETE") {
    service_.cancel_sweep();
    return json_reply(200, service_.sweep());
  }
  const auto body = request.json_body();
  if (request.method != "POST" || !body.is_object()) return bad_body();
  double rate_per_s = usual_sweep_per_s;
  if (const auto at = body.find("rate_addresses_per_s"); at != body.end()) {
    if (!at->is_number()) return bad_body();
    rate_per_s = at->get<double>();
  }
  auto started = service_.start_sweep(text(body, "range"), rate_per_s, text(body, "interface"));
  return started ? json_reply(202, service_.sweep()) : error_reply(status_of(started.error()), started.error());
}

Reply Routes::bench(const Request& request) {
  if (request.method == "GET") return json_reply(200, service_.bench());
  if (request.method == "DELETE") {
    service_.end_bench();
    return json_reply(200, service_.bench());
  }
  const auto body = request.json_body();
  if (request.method != "POST" || !body.is_object()) return bad_body();
  const auto cameras = cameras_of(body);
  if (!cameras) return bad_body();
  auto started = service_.start_bench(*cameras);
  return started ? json_reply(202, service_.bench()) : error_reply(status_of(started.error()), started.error());
}

asio::awaitable<Reply> Routes::rounds(Request request) {
  if (request.method == "GET") {
    const auto text = request.parameter("limit");
    const auto limit = text.empty() ? 50 : whole(text);
    if (!limit || *limit < 1 || *limit > 1000)
      co_return error_reply(400, {FaultKind::bad_request, "the limit is no whole number from 1 to 1000", "", "see docs/api.md"});
    const int held = static_cast<int>(*limit);
    std::function<Outcome<std::vector<record::RoundHead>>()> read = [this, held] { return record_.rounds(held); };
    auto heads = co_await offload<Outcome<std::vector<record::RoundHead>>>(reading_, std::move(read));
    if (!heads) co_return error_reply(503, heads.error());
    json out = json::array();
    for (const auto& head : *heads) out.push_back(record::summary_of(head));
    co_return json_reply(200, {{"rounds", out}});
  }
  if (request.method != "POST") co_return not_found(request.method);
  const auto body = request.json_body();
  if (!body.is_object()) co_return bad_body();
  auto cameras = cameras_of(body);
  if (!cameras) co_return bad_body();
  if (body.contains("kind") && !body.at("kind").is_string()) co_return bad_body();
  auto kind = text(body, "kind").empty() ? std::string("round") : text(body, "kind");
  if (kind != "round" && kind != "prove" && kind != "night") co_return bad_body();
  if (!cameras->empty()) kind = "prove";  // a round of the whole site has all of it: others are compared with it
  const bool busy = service_.takes_no_more(kind, *cameras);
  auto started = co_await service_.start_round(kind, std::move(*cameras));
  if (!started) co_return error_reply(busy ? 409 : status_of(started.error()), started.error());
  co_return json_reply(202, {{"round", *started}});
}

asio::awaitable<Reply> Routes::one_round(Request request, std::string id) {
  if (request.method == "DELETE" && id == "current")
    co_return service_.cancel_round(std::nullopt) ? json_reply(202, {{"cancelled", true}}) : not_found("a running round");
  if (const auto running = whole(id); request.method == "DELETE" && running)
    co_return service_.cancel_round(*running) ? json_reply(202, {{"cancelled", true}}) : not_found("a running round " + id);
  const auto slash = id.find('/');
  if (slash != std::string::npos) {
    const auto number = whole(id.substr(0, slash));
    if (request.method == "GET" && number && id.substr(slash) == "/readings") co_return co_await about_record(std::move(request));
    if (request.method == "POST" && number && id.substr(slash) == "/accept")
      co_return co_await accept(std::move(request), *number);
    co_return not_found(id);
  }
  if (request.method != "GET") co_return not_found(id);
  std::optional<std::int64_t> number = whole(id);
  if (id == "latest") {
    std::function<Outcome<std::optional<std::int64_t>>()> newest = [this] { return record_.latest_round(); };
    auto found = co_await offload<Outcome<std::optional<std::int64_t>>>(reading_, std::move(newest));
    if (!found) co_return error_reply(503, found.error());
    number = *found;
  }
  if (!number) co_return not_found("round " + id);
  std::function<Outcome<std::optional<std::string>>()> read = [this, n = *number] { return record_.round_text(n); };
  auto document = co_await offload<Outcome<std::optional<std::string>>>(reading_, std::move(read));
  if (!document) co_return error_reply(503, document.error());
  if (!document->has_value()) co_return not_found("round " + id);
  Reply out{200, "application/json", std::move(**document), false, 0};
  co_return out;
}

asio::awaitable<Reply> Routes::accept(Request request, std::int64_t id) {
  const auto body = request.json_body();
  if (!body.is_object()) co_return bad_body();
  if (auto named = sheet::check_name(text(body, "by")); !named) co_return error_reply(422, named.error());
  std::function<Outcome<void>()> write = [this, id, by = text(body, "by")] { return record_.accept_round(id, by, now_utc()); };
  auto done = co_await offload<Outcome<void>>(writing_, std::move(write));
  if (!done) co_return error_reply(done.error().kind == FaultKind::bad_request ? 409 : 503, done.error());
  co_return json_reply(200, {{"round", id}, {"accepted", {{"by", text(body, "by")}}}});
}

namespace {

using Part = std::optional<std::pair<std::int64_t, json>>;

}  // namespace

// The rows of the newest whole round; where taps are held, with what they read since.
asio::awaitable<Reply> Routes::headroom() {
  const auto taps = service_.tapped();
  std::function<Outcome<Part>()> read = [this] { return record_.newest_part("headroom", true); };
  auto found = co_await offload<Outcome<Part>>(reading_, std::move(read));
  if (!found) co_return error_reply(503, found.error());
  json round, uplinks = json::array();
  if (*found) {
    round = (**found).first;
    uplinks = std::move((**found).second);
  }
  if (!taps.empty()) {
    std::vector<Reading> readings;
    if (*found) {
      std::function<Outcome<std::vector<Reading>>()> of_round = [this, id = (**found).first] { return record_.readings_of(id); };
      auto all = co_await offload<Outcome<std::vector<Reading>>>(reading_, std::move(of_round));
      if (!all) co_return error_reply(503, all.error());
      readings = std::move(*all);
    }
    uplinks = co_await service_.headroom(std::move(readings));
  }
  co_return json_reply(200, {{"round", round}, {"uplinks", uplinks}, {"taps", taps}});
}

// The rows of the newest whole round.
asio::awaitable<Reply> Routes::days_held() {
  std::function<Outcome<Part>()> read = [this] { return record_.newest_part("days_held", false); };
  auto found = co_await offload<Outcome<Part>>(reading_, std::move(read));
  if (!found) co_return error_reply(503, found.error());
  json out = {{"round", nullptr}, {"stores", json::array()}};
  if (*found) out = {{"round", (**found).first}, {"stores", (**found).second}};
  co_return json_reply(200, out);
}

namespace {

// What is not held is not here; what has nothing to tell yet is asked again.
Reply tap_fault(const Fault& fault) { return error_reply(fault.kind == FaultKind::bad_request ? 404 : 503, fault); }

}  // namespace

Reply Routes::tap(const Request& request) {
  auto answer = service_.tap(request.parameter("interface"));
  if (!answer) return tap_fault(answer.error());
  return {200, "application/json", std::move(*answer), false, 0};
}

asio::awaitable<Reply> Routes::tap_live(Request request) {
  auto table = co_await service_.tap_live(request.parameter("interface"));
  co_return table ? json_reply(200, *table) : tap_fault(table.error());
}

asio::awaitable<Reply> Routes::asks(Request request, std::string id) {
  if (id.empty()) {
    const auto body = request.json_body();
    if (request.method != "POST" || !body.is_object()) co_return bad_body();
    const auto arguments = body.value("arguments", json::object());
    if (!arguments.is_object()) co_return bad_body();
    auto started = service_.start_ask(text(body, "command"), arguments);
    if (!started) co_return error_reply(status_of(started.error()), started.error());
    co_return json_reply(202, {{"ask", *started}});
  }
  const auto number = whole(id);
  if (!number) co_return not_found("ask " + id);
  if (request.method == "DELETE")
    co_return service_.cancel_ask(*number) ? json_reply(202, {{"cancelled", true}}) : not_found("ask " + id);
  const double wait_s = std::min<double>(static_cast<double>(whole(request.parameter("wait_s")).value_or(0)), longest_wait_s);
  const auto until = std::chrono::steady_clock::now() + std::chrono::duration<double>(wait_s);
  auto state = service_.ask(*number);
  while (state && state->at("state") == "running" && std::chrono::steady_clock::now() < until) {
    co_await pause_for(100ms);
    state = service_.ask(*number);
  }
  co_return state ? json_reply(200, *state) : not_found("ask " + id);
}

// Without a place to resume at, a listener hears what happens from now on.
Reply Routes::feed(const Request& request) {
  Reply out;
  out.is_feed = true;
  out.content_type = "text/event-stream";
  out.feed_after = request.last_event.value_or(whole(request.parameter("after")).value_or(-1));
  return out;
}

Reply Routes::file(const Request& request) const {
  for (const auto& file : files_)
    if (file.path == request.path)
      return {200, std::string(file.content_type), std::string(file.content), false, 0};
  return not_found(request.path);
}

}  // namespace tallywire::api
