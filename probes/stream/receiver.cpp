#include "probes/stream/receiver.hpp"

#include "probes/deadline.hpp"
#include "probes/stream/media_sockets.hpp"
#include "probes/stream/meter.hpp"
#include "probes/stream/rtsp_session.hpp"

#include <openssl/rand.h>

#include <algorithm>
#include <array>

namespace tallywire::stream {

namespace asio = boost::asio;
using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;

namespace {

// UDP sockets are emptied this often: few wake-ups, and the kernel's time stamps keep the arrival exact.
constexpr auto drain_interval = 10ms;
constexpr auto report_interval = 5s;  // RFC 3550 §6.2

std::string random_hex() {
  std::array<std::uint8_t, 8> octets{};
  RAND_bytes(octets.data(), static_cast<int>(octets.size()));
  std::string out;
  for (const auto octet : octets) {
    out += "0123456789abcdef"[octet >> 4];
    out += "0123456789abcdef"[octet & 15];
  }
  return out;
}

// One try with one transport: all that lives as long as the session.
class Reception {
 public:
  Reception(asio::any_io_executor executor, const StreamRequest& request, wire::Url url,
            const StreamProgress& progress, Stop& stop)
      : request_(request), url_(std::move(url)), progress_(progress), stop_(stop),
        session_(std::move(executor), url_, request.answer_limit) {}

  asio::awaitable<Outcome<StreamReport>> run(wire::LowerTransport transport) {
    transport_ = transport;
    // A stop breaks off whatever is awaited; what follows sees the stop and ends in order.
    const Stop::Subscription stopping(stop_, [this] { session_.cancel(); });
    auto opened = co_await open();
    if (!opened) {
      co_await session_.end();
      co_return opened.error();
    }
    Outcome<bool> received = true;
    if (transport == wire::LowerTransport::tcp)
      received = co_await receive_interleaved();
    else
      received = co_await receive_datagrams();
    co_await session_.end();
    if (meter_->packets() == 0 && !received) co_return received.error();
    if (meter_->packets() == 0) {
      Fault fault{FaultKind::timed_out, "the unit agreed to play and sent no packet", where(),
                  transport == wire::LowerTransport::tcp ? "repeat; then restart the unit"
                                                         : "look for a firewall on the way, or use tcp"};
      co_return fault;
    }
    co_return report(received);
  }

 private:
  std::string where() const { return url_.host + ":" + std::to_string(url_.port); }
  bool over() const {
    return stop_.requested() || (first_packet_ && Clock::now() - *first_packet_ >= request_.duration);
  }

  asio::awaitable<Outcome<bool>> open() {
    auto connected = co_await session_.connect();
    if (!connected) co_return connected.error();
    wire::ExchangeSettings settings;
    settings.url = url_.text();
    settings.login = request_.login;
    settings.allow_basic = request_.allow_basic;
    settings.transport = transport_;
    settings.cnonce = random_hex();
    settings.every_track = false;
    std::vector<wire::PortPair> pairs;
    if (transport_ == wire::LowerTransport::udp) {
      auto ports = sockets_.open_unicast(session_.own_address());
      if (!ports) co_return ports.error();
      pairs.push_back({sockets_.rtp_port(), sockets_.rtp_port() + 1});
    }
    auto playing = co_await session_.play(std::move(settings), std::move(pairs));
    if (!playing) co_return playing.error();
    const auto& agreed = session_.result().tracks.front();
    if (transport_ == wire::LowerTransport::multicast) {
      const auto& grant = agreed.transport;
      const auto group = grant.destination.empty() ? agreed.media.connection : grant.destination;
      auto joined = sockets_.open_multicast(group, grant.port_rtp, grant.port_rtcp, session_.own_address());
      if (!joined) co_return joined.error();
    }
    make_meter();
    co_return true;
  }

  void make_meter() {
    const auto& format = session_.result().tracks.front().format;
    MeterSettings settings;
    settings.codec = codec_of(format.encoding);
    settings.encoding_name = format.encoding;
    settings.clock_hz = format.clock_hz;
    settings.parameter_sets = wire::parameter_sets_of(format);
    settings.wrapping.ipv6 = url_.host.find(':') != std::string::npos;
    settings.wrapping.transport = transport_ == wire::LowerTransport::tcp   ? Wrapping::Transport::tcp
                                  : transport_ == wire::LowerTransport::udp ? Wrapping::Transport::udp
                                                                            : Wrapping::Transport::multicast;
    meter_ = std::make_unique<Meter>(std::move(settings));
    last_report_ = last_alive_ = Clock::now();
  }

  void take_packet(wire::Octets packet, SystemTime when) {
    if (!first_packet_) first_packet_ = Clock::now();
    meter_->add(packet, when);
  }

  // The limit covers a stream that stalls: what came before stays in the meter.
  asio::awaitable<Outcome<bool>> receive_interleaved() {
    auto first = interleaved_until_first();
    auto begun = co_await within<bool>(request_.answer_limit, std::move(first), "the first packet", where());
    if (!begun) co_return begun.error();
    auto rest = interleaved_until_over();
    co_return co_await within<bool>(request_.duration + 1s, std::move(rest), "the stream", where());
  }

  asio::awaitable<Outcome<bool>> interleaved_until_first() {
    while (!first_packet_ && !stop_.requested()) {
      auto taken = take_frames();
      if (!taken) co_return taken.error();
      if (first_packet_) break;
      auto more = co_await session_.read_more();
      if (!more || !*more) co_return more ? Outcome<bool>(closed()) : more;
    }
    co_return true;
  }

  asio::awaitable<Outcome<bool>> interleaved_until_over() {
    while (!over()) {
      auto more = co_await session_.read_more();
      if (!more || !*more) co_return more ? Outcome<bool>(closed()) : more;
      auto taken = take_frames();
      if (!taken) co_return taken.error();
      co_await serve_session();
    }
    co_return true;
  }

  Outcome<bool> take_frames() {
    const auto when = now_utc();
    const auto& grant = session_.result().tracks.front().transport;
    return session_.take_buffered([&](std::uint8_t channel, wire::Octets packet) {
      meter_->add_tcp_overhead(4);
      if (channel == grant.rtp_channel) take_packet(packet, when);
      if (channel == grant.rtcp_channel) meter_->add_rtcp(packet, when);
    });
  }

  Fault closed() const {
    return {FaultKind::unreachable, "the unit closed the connection", where(),
            "repeat; if it stays so, look whether it serves too many viewers already"};
  }

  asio::awaitable<Outcome<bool>> receive_datagrams() {
    const auto begin = Clock::now();
    const std::string from = transport_ == wire::LowerTransport::udp ? url_.host : "";
    auto last_packet = begin;
    while (!over()) {
      const auto before = meter_->packets();
      sockets_.drain_rtp(from, [this](wire::Octets packet, SystemTime when) { take_packet(packet, when); });
      sockets_.drain_rtcp(from, [this](wire::Octets packet, SystemTime when) { meter_->add_rtcp(packet, when); });
      const auto now = Clock::now();
      if (meter_->packets() != before) last_packet = now;
      if (now - last_packet > request_.answer_limit) break;  // it stalled, or never began
      session_.read_without_waiting();
      co_await serve_session();
      co_await pause_for(drain_interval);
    }
    co_return true;
  }

  // Keep-alive, receiver report, progress: each when it is due.
  asio::awaitable<void> serve_session() {
    const auto now = Clock::now();
    if (progress_ && first_packet_) {
      const double done = std::chrono::duration<double>(now - *first_packet_).count();
      progress_(done, std::chrono::duration<double>(request_.duration).count());
    }
    if (now - last_alive_ > std::chrono::seconds(session_.result().timeout_s) / 2) {
      last_alive_ = now;
      co_await session_.keep_alive();
    }
    if (now - last_report_ < report_interval || meter_->packets() == 0) co_return;
    last_report_ = now;
    const auto block = meter_->take_reception(now_utc());
    auto report = wire::encode_receiver_report(own_ssrc_, block, "tallywire");
    const auto& grant = session_.result().tracks.front().transport;
    if (transport_ == wire::LowerTransport::tcp)
      co_await session_.send_frame(static_cast<std::uint8_t>(grant.rtcp_channel), std::move(report));
    else if (transport_ == wire::LowerTransport::udp)
      sockets_.send_rtcp(url_.host, grant.server_rtcp, report);
  }

  StreamReport report(const Outcome<bool>& received) const {
    auto out = meter_->report();
    const auto& grant = session_.result().tracks.front().transport;
    const bool tcp = transport_ == wire::LowerTransport::tcp;
    out.source = url_.host + ":" + std::to_string(tcp || grant.server_rtp == 0 ? url_.port : grant.server_rtp);
    out.destination = session_.own_address();
    if (!tcp) out.destination += ":" + std::to_string(sockets_.rtp_port());
    if (!received && received.error().kind != FaultKind::cancelled)
      out.findings.push_back("the stream broke off: " + received.error().what);
    if (sockets_.overrun() > 0)
      out.findings.push_back("this machine itself dropped " + std::to_string(sockets_.overrun()) +
                             " packets: its own load, not the network");
    return out;
  }

  const StreamRequest& request_;
  wire::Url url_;
  const StreamProgress& progress_;
  Stop& stop_;
  wire::LowerTransport transport_ = wire::LowerTransport::tcp;
  RtspSession session_;
  MediaSockets sockets_;
  std::unique_ptr<Meter> meter_;
  std::optional<Clock::time_point> first_packet_;
  Clock::time_point last_report_{};
  Clock::time_point last_alive_{};
  std::uint32_t own_ssrc_ = 0x7a11;
};

std::vector<wire::LowerTransport> order_of(TransportChoice choice) {
  switch (choice) {
    case TransportChoice::automatic: return {wire::LowerTransport::udp, wire::LowerTransport::tcp};
    case TransportChoice::tcp: return {wire::LowerTransport::tcp};
    case TransportChoice::udp: return {wire::LowerTransport::udp};
    case TransportChoice::multicast: return {wire::LowerTransport::multicast};
  }
  return {};
}

// Whether another transport could do better: not after a refused login or a unit that is not there.
bool worth_another(const Fault& fault, const StreamRequest& request) {
  return request.transport == TransportChoice::automatic &&
         (fault.kind == FaultKind::unsupported || fault.kind == FaultKind::timed_out);
}

std::optional<Fault> refused_request(const std::optional<wire::Url>& url, const StreamRequest& request) {
  if (!url || url->scheme != "rtsp")
    return Fault{FaultKind::bad_request, "this is no address of a stream", url ? url->text() : "",
                 "write rtsp://ADDRESS[:PORT]/PATH"};
  if (url->has_user)
    return Fault{FaultKind::bad_request, "a password in a URL is read by everyone on this machine", url->text(),
                 "name a secret instead"};
  if (request.duration <= 0ms) return Fault{FaultKind::bad_request, "a duration must be more than 0 s", "", ""};
  return std::nullopt;
}

}  // namespace

std::optional<TransportChoice> transport_of(const std::string& word) {
  if (word == "auto") return TransportChoice::automatic;
  if (word == "tcp") return TransportChoice::tcp;
  if (word == "udp") return TransportChoice::udp;
  if (word == "multicast") return TransportChoice::multicast;
  return std::nullopt;
}

asio::awaitable<ReceiveResult> receive_stream(StreamRequest request, StreamProgress progress, Stop& stop) {
  const auto url = wire::decode_url(request.url);
  ReceiveResult out;
  out.fault = refused_request(url, request);
  std::string before;
  if (!out.fault) {
    auto executor = co_await asio::this_coro::executor;
    const auto order = order_of(request.transport);
    for (std::size_t i = 0; i < order.size(); ++i) {
      Reception reception(executor, request, *url, progress, stop);
      auto received = co_await reception.run(order[i]);
      if (received) {
        out.report = std::move(*received);
        if (!before.empty()) out.report.method += "; " + before;
        out.fault.reset();
        co_return out;
      }
      out.fault = received.error();
      if (stop.requested() || !worth_another(*out.fault, request)) break;
      before = "udp was tried first: " + out.fault->what;
    }
  }
  out.report = unread_report(out.fault->sentence(), now_utc());
  co_return out;
}

}  // namespace tallywire::stream
