// Receives one stream by RTSP and meters it. Network thread; one coroutine and one session a stream, which
// dies alone.
#pragma once

#include "probes/fault.hpp"
#include "probes/stop.hpp"
#include "probes/stream/report.hpp"
#include "probes/wire/digest.hpp"
#include "probes/wire/rtsp_exchange.hpp"

#include <boost/asio/awaitable.hpp>

#include <chrono>
#include <functional>
#include <optional>
#include <string>

namespace tallywire::stream {

enum class TransportChoice { automatic, tcp, udp, multicast };

// By its word ("auto", "tcp", "udp", "multicast").
std::optional<TransportChoice> transport_of(const std::string& word);

struct StreamRequest {
  std::string url;                                // rtsp:// or rtsps://ADDRESS[:PORT]/PATH, numeric, no password
  std::optional<wire::Credentials> login;
  TransportChoice transport = TransportChoice::automatic;  // udp first, tcp when that fails
  std::chrono::milliseconds duration{10'000};     // from the first packet
  std::chrono::milliseconds answer_limit{5'000};  // for each answer, and for the first packet
  bool allow_basic = false;  // Basic in the open: the password can be read on the way; over TLS it is always allowed
  wire::RtspVersion version = wire::RtspVersion::automatic;
  // What the stream has brought on the wire since its first packet, told with the progress; may be empty.
  std::function<void(double wire_octets, double over_s)> brought = {};
};

struct ReceiveResult {
  StreamReport report;         // what could not be read is unread with the reason
  std::optional<Fault> fault;  // why nothing was read
};

using StreamProgress = std::function<void(double done_s, double total_s)>;

// By its word ("auto", "1.0", "2.0").
std::optional<wire::RtspVersion> version_of(const std::string& word);

// A stop ends it early: what was read stays, and the session is torn down.
boost::asio::awaitable<ReceiveResult> receive_stream(StreamRequest request, StreamProgress progress,
                                                     Stop& stop);

}  // namespace tallywire::stream
