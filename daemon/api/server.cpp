#include "daemon/api/server.hpp"

#include "probes/deadline.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/ssl.hpp>
#include <boost/beast/core.hpp>
#include <boost/beast/http.hpp>
#include <boost/beast/ssl.hpp>
#include <openssl/crypto.h>
#include <spdlog/spdlog.h>

#include <charconv>
#include <functional>
#include <set>

namespace tallywire::api {

namespace asio = boost::asio;
namespace beast = boost::beast;
namespace http = beast::http;
using asio::ip::tcp;
using local = asio::local::stream_protocol;
using namespace std::chrono_literals;

namespace {

// Beast's stream carries the deadline of each operation itself; it is set before each one.
template <class Protocol>
using Stream = beast::basic_stream<Protocol>;

constexpr auto request_limit = 10s;     // for the whole of a request, once its first octet is awaited
constexpr auto idle_limit = 60s;
constexpr auto feed_beat = 15s;
constexpr auto refusal_limit = 2s;      // in which a refused peer may finish what it sends
constexpr std::size_t largest_body = 256 * 1024;
constexpr std::size_t most_thrown_away = 16 * 1024 * 1024;
constexpr std::uint32_t largest_head = 16 * 1024;

// What a door asks of a request before it is answered, and how many are inside: a crowd at one door leaves the
// others open.
struct Door {
  std::string token;           // empty: none is asked for
  bool checks_host = false;    // loopback: a page elsewhere must not reach us through a name of its own
  int sessions = 0;
};

bool same_token(const std::string& given, const std::string& wanted) {
  return given.size() == wanted.size() && CRYPTO_memcmp(given.data(), wanted.data(), wanted.size()) == 0;
}

bool is_loopback_name(std::string_view host) {
  if (const auto colon = host.rfind(':'); colon != std::string_view::npos && host.back() != ']') host = host.substr(0, colon);
  return host == "127.0.0.1" || host == "localhost" || host == "[::1]";
}

bool same_origin(std::string_view origin, std::string_view host) {
  for (const std::string_view scheme : {"http://", "https://"})
    if (origin.substr(0, scheme.size()) == scheme) return origin.substr(scheme.size()) == host;
  return false;
}

using HttpRequest = http::request<http::string_body>;
using HttpResponse = http::response<http::string_body>;

Request to_request(const HttpRequest& in) {
  Request out;
  out.method = std::string(in.method_string());
  const std::string_view target(in.target().data(), in.target().size());
  const auto question = target.find('?');
  out.path = percent_decoded(target.substr(0, question), '+');
  if (question != std::string_view::npos) out.query = target.substr(question + 1);
  out.body = in.body();
  const auto last = in["Last-Event-ID"];
  std::int64_t id = 0;
  if (!last.empty() && std::from_chars(last.data(), last.data() + last.size(), id).ec == std::errc()) out.last_event = id;
  return out;
}

template <class Response>
void set_headers(Response& out) {
  out.set(http::field::server, "tallywired");
  out.set(http::field::cache_control, "no-store");
  out.set("Content-Security-Policy", "default-src 'self'; base-uri 'none'; frame-ancestors 'none'; form-action 'self'");
  out.set("X-Content-Type-Options", "nosniff");
  out.set("Referrer-Policy", "no-referrer");
}

HttpResponse to_response(Reply reply, const HttpRequest& in) {
  HttpResponse out{static_cast<http::status>(reply.status), in.version()};
  set_headers(out);
  out.set(http::field::content_type, reply.content_type);
  if (!reply.policy.empty()) out.set("Content-Security-Policy", reply.policy);
  out.keep_alive(in.keep_alive());
  out.body() = std::move(reply.body);
  out.prepare_payload();
  return out;
}

std::optional<Reply> turned_away(const HttpRequest& in, const Door& door) {
  if (door.checks_host && !is_loopback_name({in[http::field::host].data(), in[http::field::host].size()}))
    return error_reply(403, {FaultKind::refused, "this door answers to localhost only", "", "open http://127.0.0.1"});
  // A browser says where the page comes from that changes something: only our own may.
  const auto origin = in[http::field::origin], host = in[http::field::host];
  const bool reads = in.method() == http::verb::get || in.method() == http::verb::head;
  if (!reads && !origin.empty() && !same_origin({origin.data(), origin.size()}, {host.data(), host.size()}))
    return error_reply(403, {FaultKind::refused, "a page from elsewhere may change nothing here", "", "use the service's own page"});
  // The page itself holds nothing of the site: a browser can send no token before the page has asked for it.
  const std::string_view target(in.target().data(), in.target().size());
  if (door.token.empty() || (reads && (target == "/" || target.substr(0, 7) == "/board/"))) return std::nullopt;
  const auto given = in[http::field::authorization];
  const std::string text(given.data(), given.size());
  if (text.rfind("Bearer ", 0) == 0 && same_token(text.substr(7), door.token)) return std::nullopt;
  return error_reply(401, {FaultKind::refused, "a token is asked for", "", "send Authorization: Bearer …"});
}

// What a request that could not be read is told; none when its sender is gone or was silent.
std::optional<Reply> refusal_of(const boost::system::error_code& code) {
  if (code == http::error::body_limit || code == http::error::header_limit)
    return error_reply(413, {FaultKind::bad_request, "the request is too large", "", "at most 256 KiB"});
  if (code == http::error::end_of_stream || code == http::error::partial_message ||
      code.category() != http::make_error_code(http::error::bad_method).category())
    return std::nullopt;
  return error_reply(400, {FaultKind::bad_request, "this is no HTTP request: " + code.message(), "", "see docs/api.md"});
}

std::string feed_text(const FeedEvent& event) {
  std::string out;
  if (event.id > 0) out += "id: " + std::to_string(event.id) + "\n";
  return out + "event: " + event.name + "\ndata: " + event.data + "\n\n";
}

}  // namespace

struct Server::State : std::enable_shared_from_this<Server::State> {
  State(asio::io_context& c, Routes& r, record::Record& rec, EventFeed& f, asio::thread_pool& p, ServerSettings s)
      : context(c), routes(r), record(rec), feed(f), reading(p), settings(std::move(s)), loopback(c), open(c),
        unix_door(c), tls(asio::ssl::context::tls_server) {
    at_loopback.checks_host = true;
    if (settings.open_door) at_open.token = settings.open_door->token;
  }

  template <class Acceptor, class Begin>
  asio::awaitable<void> accept(Acceptor& acceptor, Door& door, Begin begin);
  template <class S>
  asio::awaitable<void> serve(S& stream, const Door& door);
  template <class S>
  asio::awaitable<void> hear_out(S& stream, beast::flat_buffer& buffer);
  template <class S>
  asio::awaitable<bool> follow(S& stream, Reply reply, unsigned version);
  template <class S>
  asio::awaitable<bool> write_text(S& stream, std::string text);
  template <class Protocol>
  asio::awaitable<void> plain_session(typename Protocol::socket socket, const Door& door);
  asio::awaitable<void> tls_session(tcp::socket socket, const Door& door);
  void spawn(Door& door, asio::awaitable<void> session);

  asio::io_context& context;
  Routes& routes;
  record::Record& record;
  EventFeed& feed;
  asio::thread_pool& reading;
  ServerSettings settings;
  tcp::acceptor loopback, open;
  UnixDoor unix_door;
  Door at_unix, at_loopback, at_open;
  asio::ssl::context tls;
  bool stopped = false;
};

Server::Server(asio::io_context& context, Routes& routes, record::Record& record, EventFeed& feed,
               asio::thread_pool& reading, ServerSettings settings)
    : state_(std::make_shared<State>(context, routes, record, feed, reading, std::move(settings))) {}

Server::~Server() { stop(); }

std::uint16_t Server::loopback_tcp_port() const { return state_->loopback.local_endpoint().port(); }
std::uint16_t Server::open_tcp_port() const { return state_->open.local_endpoint().port(); }

void Server::State::spawn(Door& door, asio::awaitable<void> session) {
  ++door.sessions;
  asio::co_spawn(context, std::move(session), [self = shared_from_this(), &door](std::exception_ptr failure) {
    --door.sessions;
    if (!failure) return;
    try {
      std::rethrow_exception(failure);
    } catch (const std::exception& e) {
      spdlog::debug("a session of the API ended: {}", e.what());
    }
  });
}

template <class Acceptor, class Begin>
asio::awaitable<void> Server::State::accept(Acceptor& acceptor, Door& door, Begin begin) {
  const auto self = shared_from_this();
  while (!stopped) {
    auto [code, socket] = co_await acceptor.async_accept(asio::as_tuple(asio::use_awaitable));
    if (stopped) break;
    if (code) {
      co_await pause_for(100ms);
      continue;
    }
    if (door.sessions > most_sessions) continue;  // closed at once; this loop counts as one
    begin(std::move(socket));
  }
}

template <class S>
asio::awaitable<bool> Server::State::write_text(S& stream, std::string text) {
  beast::get_lowest_layer(stream).expires_after(request_limit);
  auto [code, sent] = co_await asio::async_write(stream, asio::buffer(text), asio::as_tuple(asio::use_awaitable));
  co_return !code;
}

// Server-sent events: what the record holds after the place asked for, then what comes.
template <class S>
asio::awaitable<bool> Server::State::follow(S& stream, Reply reply, unsigned version) {
  http::response<http::empty_body> head{http::status::ok, version};
  set_headers(head);
  head.set(http::field::content_type, reply.content_type);
  head.keep_alive(false);
  http::response_serializer<http::empty_body> serializer(head);
  beast::get_lowest_layer(stream).expires_after(request_limit);
  auto [code, sent] = co_await http::async_write_header(stream, serializer, asio::as_tuple(asio::use_awaitable));
  if (code) co_return false;
  auto listener = feed.listen();  // before the record is read: nothing falls between
  std::int64_t last = reply.feed_after;
  while (last >= 0) {
    std::function<Outcome<std::vector<record::Event>>()> read = [this, last] { return record.events_after(last, 500); };
    auto events = co_await offload<Outcome<std::vector<record::Event>>>(reading, std::move(read));
    // Not "caught up": the listener comes back and asks again from the same place.
    if (!events) co_return false;
    if (events->empty()) break;
    std::string text;
    for (const auto& event : *events) text += feed_text({event.id, event.name, json_line(event.data)});
    last = events->back().id;
    const bool written = co_await write_text(stream, std::move(text));
    if (!written) co_return false;
  }
  for (;;) {
    std::string text;
    for (; !listener->waiting.empty(); listener->waiting.pop_front()) {
      const auto& event = listener->waiting.front();
      if (event.id == 0 || event.id > last) text += feed_text(event);
      last = std::max(last, event.id);
    }
    if (listener->overrun || stopped) co_return false;
    if (text.empty()) {
      listener->changed.expires_after(feed_beat);
      auto [woken] = co_await listener->changed.async_wait(asio::as_tuple(asio::use_awaitable));
      if (stopped) co_return false;
      if (!woken) text = ": still here\n\n";
    }
    if (text.empty()) continue;
    const bool written = co_await write_text(stream, std::move(text));
    if (!written) co_return false;
  }
}

// A socket closed over what its peer still sends is reset, and the peer may never read its refusal: the rest is
// taken and thrown away, for as long and as much as a request may have.
template <class S>
asio::awaitable<void> Server::State::hear_out(S& stream, beast::flat_buffer& buffer) {
  buffer.clear();
  auto& lowest = beast::get_lowest_layer(stream);
  boost::system::error_code code;
  lowest.socket().shutdown(asio::socket_base::shutdown_send, code);
  lowest.expires_after(refusal_limit);
  for (std::size_t thrown_away = 0; !code && thrown_away < most_thrown_away && !stopped;) {
    auto [ended, count] = co_await lowest.async_read_some(buffer.prepare(buffer.max_size()), asio::as_tuple(asio::use_awaitable));
    code = ended;
    thrown_away += count;
  }
}

template <class S>
asio::awaitable<void> Server::State::serve(S& stream, const Door& door) {
  beast::flat_buffer buffer(128 * 1024);
  for (bool first = true; !stopped; first = false) {
    http::request_parser<http::string_body> parser;
    parser.header_limit(largest_head);
    parser.body_limit(largest_body);
    if (first)
      beast::get_lowest_layer(stream).expires_after(request_limit);
    else
      beast::get_lowest_layer(stream).expires_after(idle_limit);
    auto [code, count] = co_await http::async_read(stream, buffer, parser, asio::as_tuple(asio::use_awaitable));
    if (code) {
      if (auto refusal = refusal_of(code)) {
        HttpResponse refused = to_response(std::move(*refusal), parser.get());
        refused.keep_alive(false);
        beast::get_lowest_layer(stream).expires_after(request_limit);
        auto [unsent, sent] = co_await http::async_write(stream, refused, asio::as_tuple(asio::use_awaitable));
        if (!unsent) co_await hear_out(stream, buffer);
      }
      co_return;
    }
    const HttpRequest request = parser.release();
    Reply reply;
    if (auto away = turned_away(request, door)) {
      reply = std::move(*away);
    } else {
      beast::get_lowest_layer(stream).expires_never();  // an answer may wait for a measurement
      reply = co_await routes.answer(to_request(request));
    }
    if (reply.is_feed) {
      co_await follow(stream, std::move(reply), request.version());
      co_return;
    }
    HttpResponse response = to_response(std::move(reply), request);
    beast::get_lowest_layer(stream).expires_after(request_limit);
    auto [unsent, sent] = co_await http::async_write(stream, response, asio::as_tuple(asio::use_awaitable));
    if (unsent || !response.keep_alive()) co_return;
  }
}

template <class Protocol>
asio::awaitable<void> Server::State::plain_session(typename Protocol::socket socket, const Door& door) {
  Stream<Protocol> stream(std::move(socket));
  co_await serve(stream, door);
}

asio::awaitable<void> Server::State::tls_session(tcp::socket socket, const Door& door) {
  beast::ssl_stream<Stream<tcp>> stream(std::move(socket), tls);
  beast::get_lowest_layer(stream).expires_after(request_limit);
  auto [code] = co_await stream.async_handshake(asio::ssl::stream_base::server, asio::as_tuple(asio::use_awaitable));
  if (code) co_return;
  co_await serve(stream, door);
  beast::get_lowest_layer(stream).expires_after(1s);
  co_await stream.async_shutdown(asio::as_tuple(asio::use_awaitable));
}

Outcome<void> Server::start() {
  auto state = state_;
  const auto& settings = state->settings;
  if (!settings.socket.empty())
    if (auto opened = state->unix_door.open(settings.socket); !opened) return opened.error();
  if (auto opened = open_loopback(state->loopback, settings.loopback_tcp_port, settings.inherited_listener); !opened)
    return opened.error();
  if (settings.open_door)
    if (auto opened = open_tls(state->open, state->tls, *settings.open_door); !opened) return opened.error();
  const auto begin_unix = [state](local::socket socket) {
    state->spawn(state->at_unix, state->plain_session<local>(std::move(socket), state->at_unix));
  };
  const auto begin_loopback = [state](tcp::socket socket) {
    state->spawn(state->at_loopback, state->plain_session<tcp>(std::move(socket), state->at_loopback));
  };
  const auto begin_tls = [state](tcp::socket socket) {
    state->spawn(state->at_open, state->tls_session(std::move(socket), state->at_open));
  };
  auto& unix_acceptor = state->unix_door.acceptor();
  if (unix_acceptor.is_open()) state->spawn(state->at_unix, state->accept(unix_acceptor, state->at_unix, begin_unix));
  state->spawn(state->at_loopback, state->accept(state->loopback, state->at_loopback, begin_loopback));
  if (state->open.is_open()) state->spawn(state->at_open, state->accept(state->open, state->at_open, begin_tls));
  return {};
}

void Server::stop() {
  if (state_->stopped) return;
  state_->stopped = true;
  boost::system::error_code code;
  state_->unix_door.close();
  state_->loopback.close(code);
  state_->open.close(code);
  state_->feed.wake();
}

}  // namespace tallywire::api
