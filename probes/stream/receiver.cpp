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

// UDP first: it shows what the network does to packets, which TCP hides; then TCP; multicast where the unit knows nothing
// else. Over TLS the media goes with the session.
std::vector<wire::LowerTransport> order_of(TransportChoice choice, bool tls) {
  switch (choice) {
    case TransportChoice::automatic:
      if (tls) return {wire::LowerTransport::tcp};
      return {wire::LowerTransport::udp, wire::LowerTransport::tcp, wire::LowerTransport::multicast};
    case TransportChoice::tcp: return {wire::LowerTransport::tcp};
    case TransportChoice::udp: return {wire::LowerTransport::udp};
    case TransportChoice::multicast: return {wire::LowerTransport::multicast};
  }
  return {};
}

// Whether the next transport could do better: not after a refused login or a unit that is not there. Multicast loads every
// port of a switch that does not snoop: it is tried only when the unit has refused what came before.
bool worth_trying(wire::LowerTransport next, const Fault& fault) {
  if (fault.kind == FaultKind::unsupported) return true;
  return fault.kind == FaultKind::timed_out && next != wire::LowerTransport::multicast;
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
      if (stop.requested() || i + 1 == order.size() || !worth_trying(order[i + 1], *out.fault)) break;
      before += (before.empty() ? "" : "; ") + std::string(name_of(order[i])) + " was tried first: " + out.fault->what;
    }
    if (out.fault && !before.empty()) out.fault->what += "; " + before;
  }
  out.report = unread_report(out.fault->sentence(), now_utc());
  co_return out;
}

}  // namespace tallywire::stream
