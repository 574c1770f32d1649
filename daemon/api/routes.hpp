// What each request of docs/api.md is answered, without HTTP: a request in, a reply out.
#pragma once

#include "daemon/api/service.hpp"
#include "daemon/api/static_file.hpp"
#include "daemon/record/record.hpp"

#include <boost/asio/awaitable.hpp>
#include <boost/asio/thread_pool.hpp>
#include <nlohmann/json.hpp>

#include <cstdint>
#include <functional>
#include <optional>
#include <span>
#include <string>
#include <string_view>

namespace tallywire::api {

class EventFeed;

struct Request {
  std::string method;
  std::string path;                      // decoded, without the query
  std::string query;
  std::string body;
  std::optional<std::int64_t> last_event;  // Last-Event-ID

  // A value of the query, decoded; empty when it is not there.
  std::string parameter(std::string_view name) const;
  // The body; what is no JSON, or nested deeper than any request is (a copy of it would use up the stack), is no object.
  nlohmann::json json_body() const;
};

struct Reply {
  unsigned status = 200;
  std::string content_type = "application/json";
  std::string body;
  bool is_feed = false;                  // then events follow, after `feed_after`
  std::int64_t feed_after = 0;
  std::string policy = {};               // Content-Security-Policy, where it is not the page's own
};

class Routes {
 public:
  // All must outlive the routes. `reading` runs the record's reads, `writing` its writes: none waits for the other.
  Routes(Service& service, record::Record& record, EventFeed& feed, std::span<const StaticFile> files,
         boost::asio::thread_pool& reading, boost::asio::thread_pool& writing)
      : service_(service), record_(record), feed_(feed), files_(files), reading_(reading), writing_(writing) {}

  boost::asio::awaitable<Reply> answer(Request request);

 private:
  boost::asio::awaitable<Reply> rounds(Request request);
  boost::asio::awaitable<Reply> one_round(Request request, std::string id);
  boost::asio::awaitable<Reply> accept(Request request, std::int64_t id);
  boost::asio::awaitable<Reply> headroom();
  boost::asio::awaitable<Reply> days_held();
  static bool is_of_nights(const Request& request);
  boost::asio::awaitable<Reply> nights(Request request);
  Reply sweep(const Request& request);
  Reply bench(const Request& request);
  Reply tap(const Request& request);
  boost::asio::awaitable<Reply> tap_live(Request request);
  boost::asio::awaitable<Reply> asks(Request request, std::string id);
  boost::asio::awaitable<Reply> witness_points();
  boost::asio::awaitable<Reply> witnesses(Request request);
  boost::asio::awaitable<Reply> sheet(Request request);
  Reply feed(const Request& request);
  Reply file(const Request& request) const;
  // What the record tells beside whole rounds: history, nights, an export's pages, copies (routes_record.cpp).
  boost::asio::awaitable<Reply> about_record(Request request);
  boost::asio::awaitable<Reply> text_read(std::function<Outcome<std::string>()> read);
  boost::asio::awaitable<Reply> metrics();

  Service& service_;
  record::Record& record_;
  EventFeed& feed_;
  std::span<const StaticFile> files_;
  boost::asio::thread_pool& reading_;
  boost::asio::thread_pool& writing_;
};

// The description of all routes, docs/openapi.json.
std::string_view openapi_text();

Reply json_reply(unsigned status, const nlohmann::json& body);
Reply error_reply(unsigned status, const Fault& fault);
// A request that makes no sense here is 422, what else went wrong 503.
unsigned status_of(const Fault& fault);
// RFC 3986 §2.1; a percent sign without two digits stands for itself. `plus`: what a plus is; in a query, as forms and browsers write
// it (WHATWG URL), a blank.
std::string percent_decoded(std::string_view text, char plus);

}  // namespace tallywire::api
