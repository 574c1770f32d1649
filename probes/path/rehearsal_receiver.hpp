// Receives made-up streams on one UDP port and meters each of them. A thread of its own empties the socket; arrival times are the
// kernel's. All functions are for one other thread, which never waits for packets. Ends within 50 ms of its destruction.
#pragma once

#include "probes/fault.hpp"

#include <nlohmann/json_fwd.hpp>

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::path {

struct ReceivedStream {
  std::uint64_t packets = 0;               // each number once
  std::uint64_t key_packets = 0;           // of these, of key frames
  std::uint64_t duplicates = 0;
  double payload_octets = 0, wire_octets = 0;
  std::optional<double> first_lost_s;      // when the packet behind the first gap was due, after the begin of the step
  // The packet that came latest against its due time, less the one that came soonest: what the path held back.
  std::optional<double> latest_ms;
  // As the meter reads it.
  std::optional<std::string> codec;
  std::optional<double> frame_rate_hz, gop_frames, payload_bps, wire_bps, jitter_ms;
};

struct RehearsalReceived {
  std::vector<ReceivedStream> streams;     // by SSRC
  std::uint64_t own_dropped_packets = 0;   // that the kernel dropped before this socket: no loss of the path
  std::uint64_t foreign_packets = 0;       // of other sources, or of another step
  double busiest_bps = 0;                  // the most that came in any 100 ms, on the wire, all streams together
};

void to_json(nlohmann::json& out, const ReceivedStream& stream);
// Throws nlohmann's exceptions on what is no such object.
void from_json(const nlohmann::json& in, ReceivedStream& stream);

class RehearsalReceiver {
 public:
  // Takes packets of `peer` only, with SSRCs from `first_ssrc` on. Addresses in numbers.
  static Outcome<std::unique_ptr<RehearsalReceiver>> open(const std::string& address, const std::string& peer, std::size_t streams, std::uint32_t first_ssrc);
  ~RehearsalReceiver();
  RehearsalReceiver(const RehearsalReceiver&) = delete;
  RehearsalReceiver& operator=(const RehearsalReceiver&) = delete;

  std::uint16_t udp_port() const;
  std::size_t buffer_octets() const;       // of the socket
  // Everything begins anew with this step; packets of other steps are foreign.
  void begin(std::uint8_t step);
  std::uint64_t packets() const;           // of this step so far
  // Costs some 50 µs a stream.
  RehearsalReceived report() const;

 private:
  struct State;
  explicit RehearsalReceiver(std::unique_ptr<State> state);
  std::unique_ptr<State> state_;
};

}  // namespace tallywire::path
