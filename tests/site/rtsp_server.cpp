// RTSP 1.0 with Digest login, RTP over TCP and UDP.
#include "probes/wire/digest.hpp"
#include "probes/wire/rtsp_message.hpp"
#include "probes/wire/url.hpp"
#include "tests/site/camera.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/ip/udp.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <boost/asio/write.hpp>

#include <chrono>
#include <memory>
#include <optional>
#include <random>

namespace tallywire::site {

namespace asio = boost::asio;
using asio::ip::tcp;
using asio::ip::udp;
using Clock = std::chrono::steady_clock;

namespace {

constexpr std::size_t most_waiting = 8 * 1024 * 1024;  // octets for a slow viewer; then pictures are left out

std::string field(const std::string& header, const std::string& name) {
  const auto at = header.find(name + "=\"");
  if (at == std::string::npos) return {};
  const auto begin = at + name.size() + 2;
  return header.substr(begin, header.find('"', begin) - begin);
}

class Viewer : public std::enable_shared_from_this<Viewer> {
 public:
  Viewer(const Camera& camera, tcp::socket socket)
      : camera_(camera), socket_(std::move(socket)), written_(socket_.get_executor()), random_(std::random_device{}()) {
    written_.expires_at(asio::steady_timer::time_point::max());
    ssrc_ = static_cast<std::uint32_t>(random_());
    sequence_ = static_cast<std::uint16_t>(random_());
    first_time_ = static_cast<std::uint32_t>(random_());
  }

  asio::awaitable<void> read() {
    const auto self = shared_from_this();
    asio::co_spawn(socket_.get_executor(), write(), [self](std::exception_ptr) {});
    Bytes buffer(64 * 1024);
    std::size_t held = 0;
    while (!gone_) {
      auto [code, count] = co_await socket_.async_read_some(asio::buffer(buffer.data() + held, buffer.size() - held), asio::as_tuple(asio::use_awaitable));
      if (code) break;
      held += count;
      std::size_t taken = 0;
      for (;;) {
        const auto item = wire::parse_rtsp(wire::Octets(buffer).subspan(taken, held - taken));
        if (item.what == wire::ParsedRtsp::What::need_more) break;
        if (item.what == wire::ParsedRtsp::What::malformed) gone_ = true;
        if (item.what == wire::ParsedRtsp::What::message) answer(item.message);
        if (gone_) break;
        taken += item.consumed;
      }
      std::copy(buffer.begin() + static_cast<std::ptrdiff_t>(taken), buffer.begin() + static_cast<std::ptrdiff_t>(held), buffer.begin());
      held -= taken;
      if (held == buffer.size()) break;
    }
    gone_ = true;
    written_.cancel();
  }

 private:
  asio::awaitable<void> write() {
    const auto self = shared_from_this();
    while (!gone_ || !waiting_.empty()) {
      if (waiting_.empty()) {
        co_await written_.async_wait(asio::as_tuple(asio::use_awaitable));
        continue;
      }
      std::string now;
      now.swap(waiting_);
      auto [code, sent] = co_await asio::async_write(socket_, asio::buffer(now), asio::as_tuple(asio::use_awaitable));
      if (code) gone_ = true;
      if (gone_) break;
    }
    boost::system::error_code code;
    socket_.close(code);
  }

  void send(const std::string& octets) {
    waiting_ += octets;
    written_.cancel();
  }

  void reply(const wire::RtspMessage& request, const std::string& status, const std::string& headers, const std::string& body = "") {
    std::string out = "RTSP/1.0 " + status + "\r\nCSeq: " + request.header("cseq") + "\r\n" + headers;
    if (!body.empty()) out += "Content-Length: " + std::to_string(body.size()) + "\r\n";
    send(out + "\r\n" + body);
  }

  bool let_in(const wire::RtspMessage& request) const {
    const auto header = request.header("authorization");
    wire::Challenge challenge;
    challenge.realm = "demo";
    challenge.nonce = nonce_;
    return field(header, "username") == camera_.user && field(header, "nonce") == nonce_ &&
           field(header, "response") == wire::digest_response(challenge, {camera_.user, camera_.password},
                                                              {request.method, field(header, "uri"), "", 1});
  }

  const StreamPlan* plan_of(const std::string& target) const {
    const auto url = wire::decode_url(target);
    if (!url) return nullptr;
    for (const auto& plan : camera_.streams)
      if (url->path == plan.path || url->path.rfind(plan.path + "/", 0) == 0) return &plan;
    return nullptr;
  }

  void answer(const wire::RtspMessage& request) {
    if (request.status != 0) return;
    const std::string session = "Session: 5e55104e;timeout=60\r\n";
    if (request.method == "OPTIONS")
      return reply(request, "200 OK", "Public: OPTIONS, DESCRIBE, SETUP, PLAY, GET_PARAMETER, TEARDOWN\r\n");
    if (!camera_.user.empty() && !let_in(request))
      return reply(request, "401 Unauthorized", "WWW-Authenticate: Digest realm=\"demo\", nonce=\"" + nonce_ + "\"\r\n");
    if (request.method == "GET_PARAMETER") return reply(request, "200 OK", session);
    if (request.method == "TEARDOWN") {
      playing_ = false;
      return reply(request, "200 OK", session);
    }
    const auto* plan = plan_of(request.target);
    if (!plan) return reply(request, "404 Not Found", "");
    if (request.method == "DESCRIBE") return describe(request, *plan);
    if (request.method == "SETUP") return setup(request, *plan);
    if (request.method == "PLAY" && plan_) {
      reply(request, "200 OK", session);
      if (!playing_) {
        playing_ = true;
        asio::co_spawn(socket_.get_executor(), play(), [self = shared_from_this()](std::exception_ptr) {});
      }
      return;
    }
    reply(request, "405 Method Not Allowed", "");
  }

  void describe(const wire::RtspMessage& request, const StreamPlan& plan) {
    const Clip clip(plan);
    const auto body = "v=0\r\no=- 1 1 IN IP4 " + camera_.address + "\r\ns=demo\r\nc=IN IP4 0.0.0.0\r\nt=0 0\r\na=control:*\r\n"
                      "m=video 0 RTP/AVP 96\r\n" + clip.sdp_format() + "a=control:track1\r\n";
    reply(request, "200 OK", "Content-Type: application/sdp\r\nContent-Base: " + request.target + "/\r\n", body);
  }

  void setup(const wire::RtspMessage& request, const StreamPlan& plan) {
    const auto offers = wire::decode_transport(request.header("transport"));
    if (!offers || offers->empty() || offers->front().multicast) return reply(request, "461 Unsupported Transport", "");
    const auto& offer = offers->front();
    std::string grant;
    if (offer.tcp) {
      channel_ = offer.rtp_channel;
      grant = "RTP/AVP/TCP;unicast;interleaved=" + std::to_string(channel_) + "-" + std::to_string(channel_ + 1);
    } else {
      const int port = open_udp(plan);
      if (port == 0) return reply(request, "453 Not Enough Bandwidth", "");
      client_ = udp::endpoint(socket_.remote_endpoint().address(), static_cast<unsigned short>(offer.client_rtp));
      grant = "RTP/AVP;unicast;client_port=" + std::to_string(offer.client_rtp) + "-" + std::to_string(offer.client_rtcp) +
              ";server_port=" + std::to_string(port) + "-" + std::to_string(port + 1);
    }
    plan_ = plan;
    reply(request, "200 OK", "Transport: " + grant + "\r\nSession: 5e55104e;timeout=60\r\n");
  }

  int open_udp(const StreamPlan& plan) {
    for (int port = plan.base_port; port < plan.base_port + 10; port += 2) {
      boost::system::error_code code;
      udp_.emplace(socket_.get_executor());
      udp_->open(udp::v4(), code);
      udp_->bind({asio::ip::make_address(camera_.address), static_cast<unsigned short>(port)}, code);
      if (!code) return port;
    }
    return 0;
  }

  // One picture after the other, each at its own absolute time: the rate does not drift.
  asio::awaitable<void> play() {
    const auto self = shared_from_this();
    Clip clip(*plan_);
    asio::steady_timer timer(socket_.get_executor());
    const auto begin = Clock::now();
    for (std::int64_t frame = 0; playing_ && !gone_; ++frame) {
      const auto due = std::chrono::duration<double>(static_cast<double>(frame) / plan_->frame_rate_hz);
      timer.expires_at(begin + std::chrono::duration_cast<Clock::duration>(due));
      co_await timer.async_wait(asio::as_tuple(asio::use_awaitable));
      const auto time = first_time_ + static_cast<std::uint32_t>(static_cast<double>(frame) * 90000 / plan_->frame_rate_hz + 0.5);
      const auto payloads = clip.next();
      for (std::size_t i = 0; i < payloads.size(); ++i) send_packet(payloads[i], time, i + 1 == payloads.size());
      if (!udp_) written_.cancel();
    }
  }

  void send_packet(const Bytes& payload, std::uint32_t time, bool last) {
    Bytes packet = {0x80, static_cast<std::uint8_t>(last ? 0x80 | 96 : 96)};
    wire::put_u16(packet, sequence_++);
    wire::put_u32(packet, time);
    wire::put_u32(packet, ssrc_);
    packet.insert(packet.end(), payload.begin(), payload.end());
    if (udp_) {
      boost::system::error_code code;
      udp_->send_to(asio::buffer(packet), client_, 0, code);
      return;
    }
    if (waiting_.size() > most_waiting) return;
    const char head[] = {'$', static_cast<char>(channel_), static_cast<char>(packet.size() >> 8), static_cast<char>(packet.size() & 0xff)};
    waiting_.append(head, sizeof head);
    waiting_.append(packet.begin(), packet.end());
  }

  const Camera& camera_;
  tcp::socket socket_;
  asio::steady_timer written_;
  std::string waiting_;
  std::mt19937 random_;
  std::string nonce_ = std::to_string(std::random_device{}());
  std::optional<StreamPlan> plan_;
  std::optional<udp::socket> udp_;
  udp::endpoint client_;
  int channel_ = 0;
  std::uint32_t ssrc_ = 0, first_time_ = 0;
  std::uint16_t sequence_ = 0;
  bool playing_ = false;
  bool gone_ = false;
};

}  // namespace

asio::awaitable<void> serve_rtsp(const Camera& camera) {
  auto executor = co_await asio::this_coro::executor;
  tcp::endpoint endpoint(asio::ip::make_address(camera.address), static_cast<unsigned short>(camera.rtsp_port));
  tcp::acceptor acceptor(executor, endpoint);
  for (;;) {
    auto socket = co_await acceptor.async_accept(asio::use_awaitable);
    socket.set_option(tcp::no_delay(true));
    auto viewer = std::make_shared<Viewer>(camera, std::move(socket));
    asio::co_spawn(executor, viewer->read(), [viewer](std::exception_ptr) {});
  }
}

}  // namespace tallywire::site
