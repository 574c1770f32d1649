#include "probes/stream/receiver.hpp"

#include "probes/stream/reception.hpp"

#include <algorithm>

namespace tallywire::stream {

namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

const char* name_of(wire::LowerTransport transport) {
  switch (transport) {
    case wire::LowerTransport::tcp: return "tcp";
    case wire::LowerTransport::udp: return "udp";
    case wire::LowerTransport::multicast: return "multicast";
  }
  return "";
}

// UDP first: it shows what the network does to packets, which TCP hides. Over TLS the media goes with the session.
std::vector<wire::LowerTransport> order_of(TransportChoice choice, bool tls) {
  switch (choice) {
    case TransportChoice::automatic:
      if (tls) return {wire::LowerTransport::tcp};
      return {wire::LowerTransport::udp, wire::LowerTransport::tcp};
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
  if (!url || (url->scheme != "rtsp" && url->scheme != "rtsps"))
    return Fault{FaultKind::bad_request, "this is no address of a stream", url ? url->text() : "",
                 "write rtsp://ADDRESS[:PORT]/PATH, or rtsps:// for RTSP over TLS"};
  if (url->has_user)
    return Fault{FaultKind::bad_request, "a password in a URL is read by everyone on this machine", url->text(),
                 "name a secret instead"};
  if (url->scheme == "rtsps" && request.transport != TransportChoice::automatic && request.transport != TransportChoice::tcp)
    return Fault{FaultKind::bad_request, "over TLS the media goes with the session, by TCP", url->text(),
                 "choose the transport tcp or auto"};
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

std::optional<wire::RtspVersion> version_of(const std::string& word) {
  if (word == "auto") return wire::RtspVersion::automatic;
  if (word == "1.0") return wire::RtspVersion::v1;
  if (word == "2.0") return wire::RtspVersion::v2;
  return std::nullopt;
}

asio::awaitable<ReceiveResult> receive_stream(StreamRequest request, StreamProgress progress, Stop& stop) {
  const auto url = wire::decode_url(request.url);
  ReceiveResult out;
  out.fault = refused_request(url, request);
  std::string before;
  if (!out.fault) {
    auto executor = co_await asio::this_coro::executor;
    const auto order = order_of(request.transport, url->scheme == "rtsps");
    for (std::size_t i = 0; i < order.size(); ++i) {
      Reception reception(executor, request, *url, progress, stop);
      auto running = reception.run(order[i]);
      auto received = co_await std::move(running);
      if (received) {
        out.report = std::move(*received);
        if (!before.empty()) out.report.method += "; " + before;
        out.fault.reset();
        co_return out;
      }
      out.fault = received.error();
      if (stop.requested() || !worth_another(*out.fault, request)) break;
      before = std::string(name_of(order[i])) + " was tried first: " + out.fault->what;
    }
  }
  out.report = unread_report(out.fault->sentence(), now_utc());
  co_return out;
}

}  // namespace tallywire::stream
