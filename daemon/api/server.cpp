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

#include <sys/stat.h>
#include <unistd.h>

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
constexpr std::size_t largest_body = 256 * 1024;
constexpr std::uint32_t largest_head = 16 * 1024;

// What a door asks of a request before it is answered.
struct Door {
  std::string token;           // empty: none is asked for
  bool checks_host = false;    // loopback: a page elsewhere must not reach us through a name of its own
};

bool same_token(const std::string& given, const std::string& wanted) {
  return given.size() == wanted.size() && CRYPTO_memcmp(given.data(), wanted.data(), wanted.size()) == 0;
}

bool is_loopback_name(std::string_view host) {
  if (const auto colon = host.rfind(':'); colon != std::string_view::npos && host.back() != ']') host = host.substr(0, colon);
  return host == "127.0.0.1" || host == "localhost" || host == "[::1]";
}

std::string decoded(std::string_view text) {
  std::string out;
  for (std::size_t i = 0; i < text.size(); ++i) {
    unsigned value = 0;
    if (text[i] == '%' && i + 2 < text.size() &&
        std::from_chars(text.data() + i + 1, text.data() + i + 3, value, 16).ptr == text.data() + i + 3) {
      out += static_cast<char>(value);
      i += 2;
    } else {
      out += text[i];
    }
  }
  return out;
}

using HttpRequest = http::request<http::string_body>;
using HttpResponse = http::response<http::string_body>;

Request to_request(const HttpRequest& in) {
  Request out;
  out.method = std::string(in.method_string());
  const std::string_view target(in.target().data(), in.target().size());
  const auto question = target.find('?');
  out.path = decoded(target.substr(0, question));
  if (question != std::string_view::npos) out.query = target.substr(question + 1);
  out.body = in.body();
  const auto last = in["Last-Event-ID"];
  std::int64_t id = 0;
  if (!last.empty() && std::from_chars(last.data(), last.data() + last.size(), id).ec == std::errc()) out.last_event = id;
  return out;
}

void set_headers(HttpResponse& out) {
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
  out.keep_alive(in.keep_alive());
  out.body() = std::move(reply.body);
  out.prepare_payload();
  return out;
}

std::optional<Reply> turned_away(const HttpRequest& in, const Door& door) {
  if (door.checks_host && !is_loopback_name({in[http::field::host].data(), in[http::field::host].size()}))
    return error_reply(403, {FaultKind::refused, "this door answers to localhost only", "", "open http://127.0.0.1"});
  if (door.token.empty()) return std::nullopt;
  const auto given = in[http::field::authorization];
  const std::string text(given.data(), given.size());
  if (text.rfind("Bearer ", 0) == 0 && same_token(text.substr(7), door.token)) return std::nullopt;
  return error_reply(401, {FaultKind::refused, "a token is asked for", "", "send Authorization: Bearer …"});
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
        unix_socket(c), tls(asio::ssl::context::tls_server) {}

  template <class Acceptor, class Begin>
  asio::awaitable<void> accept(Acceptor& acceptor, Begin begin);
  template <class S>
  asio::awaitable<void> serve(S& stream, Door door);
  template <class S>
  asio::awaitable<bool> follow(S& stream, Reply reply, unsigned version);
  template <class S>
  asio::awaitable<bool> write_text(S& stream, std::string text);
  template <class Protocol>
  asio::awaitable<void> plain_session(typename Protocol::socket socket, Door door);
  asio::awaitable<void> tls_session(tcp::socket socket, Door door);
  void spawn(asio::awaitable<void> session);
  Outcome<void> open_unix();
  Outcome<void> open_loopback();
  Outcome<void> open_tls();

  asio::io_context& context;
  Routes& routes;
  record::Record& record;
  EventFeed& feed;
  asio::thread_pool& reading;
  ServerSettings settings;
  tcp::acceptor loopback, open;
  local::acceptor unix_socket;
  asio::ssl::context tls;
  int sessions = 0;
  bool stopped = false;
};

Server::Server(asio::io_context& context, Routes& routes, record::Record& record, EventFeed& feed,
               asio::thread_pool& reading, ServerSettings settings)
    : state_(std::make_shared<State>(context, routes, record, feed, reading, std::move(settings))) {}

Server::~Server() { stop(); }

std::uint16_t Server::loopback_tcp_port() const { return state_->loopback.local_endpoint().port(); }
std::uint16_t Server::open_tcp_port() const { return state_->open.local_endpoint().port(); }

void Server::State::spawn(asio::awaitable<void> session) {
  ++sessions;
  asio::co_spawn(context, std::move(session), [self = shared_from_this()](std::exception_ptr failure) {
    --self->sessions;
    if (!failure) return;
    try {
      std::rethrow_exception(failure);
    } catch (const std::exception& e) {
      spdlog::debug("a session of the API ended: {}", e.what());
    }
  });
}

template <class Acceptor, class Begin>
asio::awaitable<void> Server::State::accept(Acceptor& acceptor, Begin begin) {
  const auto self = shared_from_this();
  while (!stopped) {
    auto [code, socket] = co_await acceptor.async_accept(asio::as_tuple(asio::use_awaitable));
    if (stopped) break;
    if (code) {
      co_await pause_for(100ms);
      continue;
    }
    if (sessions >= most_sessions) continue;  // closed at once
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
  head.set(http::field::content_type, reply.content_type);
  head.set(http::field::cache_control, "no-store");
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
    if (!events || events->empty()) break;
    std::string text;
    for (const auto& event : *events) text += feed_text({event.id, event.name, event.data.dump()});
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

template <class S>
asio::awaitable<void> Server::State::serve(S& stream, Door door) {
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
    if (code == http::error::body_limit || code == http::error::header_limit) {
      const Fault fault{FaultKind::bad_request, "the request is too large", "", "at most 256 KiB"};
      HttpResponse refused = to_response(error_reply(413, fault), parser.get());
      refused.keep_alive(false);
      beast::get_lowest_layer(stream).expires_after(request_limit);
      co_await http::async_write(stream, refused, asio::as_tuple(asio::use_awaitable));
      co_return;
    }
    if (code) co_return;
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
asio::awaitable<void> Server::State::plain_session(typename Protocol::socket socket, Door door) {
  Stream<Protocol> stream(std::move(socket));
  co_await serve(stream, std::move(door));
}

asio::awaitable<void> Server::State::tls_session(tcp::socket socket, Door door) {
  beast::ssl_stream<Stream<tcp>> stream(std::move(socket), tls);
  beast::get_lowest_layer(stream).expires_after(request_limit);
  auto [code] = co_await stream.async_handshake(asio::ssl::stream_base::server, asio::as_tuple(asio::use_awaitable));
  if (code) co_return;
  co_await serve(stream, std::move(door));
  beast::get_lowest_layer(stream).expires_after(1s);
  co_await stream.async_shutdown(asio::as_tuple(asio::use_awaitable));
}

Outcome<void> Server::State::open_unix() {
  if (settings.socket.empty()) return {};
  const auto fail = [this](const boost::system::error_code& code) {
    return Fault{FaultKind::system, "the Unix socket cannot be opened: " + code.message(), settings.socket,
                 "check that its directory is there and may be written"};
  };
  const local::endpoint endpoint(settings.socket);
  boost::system::error_code code;
  // A socket that answers belongs to a living service; one that does not was left by a killed one.
  local::socket trial(context);
  trial.connect(endpoint, code);
  if (!code)
    return Fault{FaultKind::system, "another tallywired answers here already", settings.socket, "stop it first, or name another socket in the settings"};
  struct stat info{};
  if (::stat(settings.socket.c_str(), &info) == 0 && S_ISSOCK(info.st_mode)) ::unlink(settings.socket.c_str());
  unix_socket.open(endpoint.protocol(), code);
  // Made without rights for others from the start, not taken from them later.
  const mode_t before = ::umask(0117);
  if (!code) unix_socket.bind(endpoint, code);
  ::umask(before);
  if (!code) unix_socket.listen(asio::socket_base::max_listen_connections, code);
  if (code) return fail(code);
  return {};
}

Outcome<void> Server::State::open_loopback() {
  boost::system::error_code code;
  if (settings.inherited_listener >= 0) {
    loopback.assign(tcp::v4(), settings.inherited_listener, code);
  } else {
    const tcp::endpoint endpoint(asio::ip::address_v4::loopback(), settings.loopback_tcp_port);
    loopback.open(endpoint.protocol(), code);
    if (!code) loopback.set_option(tcp::acceptor::reuse_address(true), code);
    if (!code) loopback.bind(endpoint, code);
    if (!code) loopback.listen(asio::socket_base::max_listen_connections, code);
  }
  if (code)
    return Fault{FaultKind::system, "the page's port cannot be opened: " + code.message(),
                 "127.0.0.1:" + std::to_string(settings.loopback_tcp_port), "name another loopback_tcp_port in the settings"};
  return {};
}

Outcome<void> Server::State::open_tls() {
  if (!settings.open_door) return {};
  const auto& door = *settings.open_door;
  const auto where = door.address + ":" + std::to_string(door.tcp_port);
  if (door.token.empty())
    return Fault{FaultKind::bad_request, "a door beyond this machine needs a token", where, "name token_secret in the settings"};
  boost::system::error_code code;
  tls.set_options(asio::ssl::context::default_workarounds | asio::ssl::context::no_tlsv1 | asio::ssl::context::no_tlsv1_1);
  tls.use_certificate_chain_file(door.certificate_file, code);
  if (!code) tls.use_private_key_file(door.key_file, asio::ssl::context::pem, code);
  if (code)
    return Fault{FaultKind::system, "certificate or key cannot be used: " + code.message(), door.certificate_file, "give PEM files that this user may read"};
  const tcp::endpoint endpoint(asio::ip::make_address(door.address, code), door.tcp_port);
  if (!code) open.open(endpoint.protocol(), code);
  if (!code) open.set_option(tcp::acceptor::reuse_address(true), code);
  if (!code) open.bind(endpoint, code);
  if (!code) open.listen(asio::socket_base::max_listen_connections, code);
  if (code)
    return Fault{FaultKind::system, "the open door cannot listen: " + code.message(), where, "check that the address is this machine's"};
  return {};
}

Outcome<void> Server::start() {
  auto state = state_;
  if (auto opened = state->open_unix(); !opened) return opened.error();
  if (auto opened = state->open_loopback(); !opened) return opened.error();
  if (auto opened = state->open_tls(); !opened) return opened.error();
  const auto begin_unix = [state](local::socket socket) {
    state->spawn(state->plain_session<local>(std::move(socket), Door{}));
  };
  const auto begin_loopback = [state](tcp::socket socket) {
    state->spawn(state->plain_session<tcp>(std::move(socket), Door{"", true}));
  };
  const auto begin_tls = [state](tcp::socket socket) {
    state->spawn(state->tls_session(std::move(socket), Door{state->settings.open_door->token, false}));
  };
  if (state->unix_socket.is_open()) state->spawn(state->accept(state->unix_socket, begin_unix));
  state->spawn(state->accept(state->loopback, begin_loopback));
  if (state->open.is_open()) state->spawn(state->accept(state->open, begin_tls));
  return {};
}

void Server::stop() {
  if (state_->stopped) return;
  state_->stopped = true;
  boost::system::error_code code;
  const bool had_socket = state_->unix_socket.is_open();
  state_->unix_socket.close(code);
  state_->loopback.close(code);
  state_->open.close(code);
  if (had_socket) ::unlink(state_->settings.socket.c_str());
  state_->feed.wake();
}

}  // namespace tallywire::api
