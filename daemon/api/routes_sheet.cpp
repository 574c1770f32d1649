// The hand-over sheet and what was witnessed by eye.
#include "daemon/api/event_feed.hpp"
#include "daemon/api/routes.hpp"
#include "daemon/sheet/gather.hpp"
#include "daemon/sheet/sheet.hpp"
#include "daemon/sheet/witnessed.hpp"
#include "probes/deadline.hpp"

#include <charconv>

namespace tallywire::api {

namespace asio = boost::asio;
using nlohmann::json;

namespace {

// Its look stands in the file; it needs nothing else and runs nothing.
constexpr const char* sheet_policy = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; frame-ancestors 'none'; form-action 'none'";

}  // namespace

asio::awaitable<Reply> Routes::sheet(Request request) {
  sheet::SheetOrder order;
  order.at = now_utc();
  order.by = request.parameter("by");
  if (const auto wanted = request.parameter("round"); !wanted.empty()) {
    std::int64_t id = 0;
    const auto [end, code] = std::from_chars(wanted.data(), wanted.data() + wanted.size(), id);
    if (code != std::errc() || end != wanted.data() + wanted.size())
      co_return error_reply(422, {FaultKind::bad_request, "the number of a round is asked", "round", "the page lists them"});
    order.round = id;
  }
  const bool as_data = request.parameter("as") == "data";
  std::function<Outcome<Reply>()> make = [this, order, as_data]() -> Outcome<Reply> {
    auto data = sheet::gather(record_, service_.design(), order);
    if (!data) return data.error();
    if (as_data) return json_reply(200, *data);
    return Reply{200, "text/html; charset=utf-8", sheet::render(*data), false, 0, sheet_policy};
  };
  auto made = co_await offload<Outcome<Reply>>(reading_, std::move(make));
  if (!made) co_return error_reply(status_of(made.error()), made.error());
  co_return std::move(*made);
}

asio::awaitable<Reply> Routes::witness_points() {
  // Thousands on a large site: made where it blocks nobody.
  std::function<Outcome<std::string>()> read = [this]() -> Outcome<std::string> {
    auto said = record_.witnesses();
    if (!said) return said.error();
    return json_line({{"points", sheet::witness_points(service_.design(), *said)}});
  };
  auto out = co_await text_read(std::move(read));
  co_return out;
}

asio::awaitable<Reply> Routes::witnesses(Request request) {
  if (request.method == "POST") {
    const auto body = request.json_body();
    if (!body.is_object()) co_return error_reply(400, {FaultKind::bad_request, "the body is not the JSON object that is expected", "", "see docs/api.md"});
    std::function<Outcome<record::Witness>()> write = [this, body]() -> Outcome<record::Witness> {
      auto said = record_.witnesses();
      if (!said) return said.error();
      auto witness = sheet::witness_of(service_.design(), *said, body, now_utc());
      if (!witness) return witness;
      if (auto done = record_.add_witness(*witness); !done) return done.error();
      return witness;
    };
    auto done = co_await offload<Outcome<record::Witness>>(writing_, std::move(write));
    if (!done) co_return error_reply(status_of(done.error()), done.error());
    const json event = sheet::witness_json(*done);
    feed_.publish("witness", event);
    co_return json_reply(201, event);
  }
  std::function<Outcome<std::vector<record::Witness>>()> read = [this] { return record_.witnesses(); };
  auto all = co_await offload<Outcome<std::vector<record::Witness>>>(reading_, std::move(read));
  if (!all) co_return error_reply(503, all.error());
  json out = json::array();
  for (const auto& w : *all) out.push_back(sheet::witness_json(w));
  co_return json_reply(200, {{"witnesses", out}});
}

}  // namespace tallywire::api
