// One TCP connection as a tap sees it: both directions put together, RTSP followed, interleaved media handed on. What a
// hole in the capture swallowed is told to its streams as not captured. A connection that shows no RTSP in its first
// quarter of a mebioctet costs no more. No I/O; one thread at a time.
#pragma once

#include "probes/tap/interleaved_finder.hpp"
#include "probes/tap/rtsp_watch.hpp"
#include "probes/tap/source.hpp"
#include "probes/wire/datagram.hpp"
#include "probes/wire/rtsp_input.hpp"
#include "probes/wire/tcp_reassembly.hpp"

#include <array>
#include <cstdint>
#include <memory>
#include <vector>

namespace tallywire::tap {

// What a connection needs of the tap.
class ConnectionHost {
 public:
  virtual ~ConnectionHost() = default;
  // A new stream on an interleaved channel; null when no more are taken.
  virtual Source* new_source(const wire::Flow& flow, int vlan_tags, std::uint8_t payload_type, std::uint32_t ssrc, RecognisedBy by) = 0;
  virtual void announced(Announcement announcement) = 0;
  virtual wire::TcpReassembly::Account& kept_segments() = 0;
  virtual void rtcp(const wire::Flow& flow, wire::Octets compound, SystemTime when) = 0;
};

struct ConnectionTotals {
  std::uint64_t missing_octets = 0, holes = 0, retransmitted_segments = 0;
  std::uint64_t malformed = 0;   // places where RTSP or its framing could not be followed
};

class ConnectionWatch {
 public:
  ConnectionWatch(const wire::Flow& flow, ConnectionHost& host) : flow_(flow), host_(host) {
    for (auto& side : sides_) side.in.share(host.kept_segments());
  }

  // A segment of either direction.
  void add(const wire::Datagram& segment, SystemTime when);
  // How long its segments were on the mean goes to its streams, before they are asked for a report.
  void tell_segments();
  // The tap was away.
  void interrupt();
  // No more comes.
  void finish(SystemTime when);

  bool is_rtsp() const { return sides_[0].state == State::rtsp || sides_[1].state == State::rtsp; }
  // It begins as TLS does, and one end is the port of RTSP over TLS: there may be media that nobody can see.
  bool encrypted() const { return encrypted_; }
  bool has_sources() const { return !sides_[0].sources.empty() || !sides_[1].sources.empty(); }
  SystemTime last() const { return last_; }
  // Both ends have said that they are done, or one has torn it down.
  bool closed() const { return closed_; }
  const wire::Flow& flow() const { return flow_; }
  // Since the beginning, or since begin_anew().
  ConnectionTotals totals() const;
  void begin_anew() { told_ = totals_in_all(); }
  // Its streams have moved, or are gone (null).
  template <class Now>
  void sources_moved(Now&& now) {
    for (auto& side : sides_) {
      for (auto& known : side.sources) known.source = now(known.source);
      std::erase_if(side.sources, [](const ChannelSource& known) { return !known.source; });
    }
  }

 private:
  enum class State : std::uint8_t { unknown, rtsp, searching, ignored };
  struct ChannelSource {
    std::uint8_t channel = 0;
    std::uint32_t ssrc = 0;
    Source* source = nullptr;
  };
  struct Side {
    State state = State::unknown;
    bool came_from_rtsp = false;  // searching: it was RTSP before
    int vlan_tags = 0;
    bool has_ended = false;  // FIN
    wire::TcpReassembly in;
    wire::RtspInput input;
    InterleavedFinder finder;
    InterleavedFinder::Known known;
    std::vector<ChannelSource> sources;
  };

  ConnectionTotals totals_in_all() const;
  RtspWatch& watch();
  void drain(Side& side, SystemTime when);
  void take_octets(Side& side, wire::Octets octets, SystemTime when);
  void take_hole(Side& side);
  void search(Side& side, wire::Octets octets, SystemTime when);
  void cut(Side& side, wire::Octets octets, SystemTime when);
  void take_frame(Side& side, std::uint8_t channel, wire::Octets packet, SystemTime when);
  void take_message(Side& side, wire::RtspMessage& message);
  void ignore(Side& side);
  Source* source_on(Side& side, std::uint8_t channel, wire::Octets packet);
  Side& other(Side& side) { return &side == &sides_[0] ? sides_[1] : sides_[0]; }
  wire::Flow flow_of(const Side& side) const { return &side == &sides_[0] ? flow_ : flow_.reversed(); }

  wire::Flow flow_;
  ConnectionHost& host_;
  std::array<Side, 2> sides_;  // as flow_ goes, and back
  std::unique_ptr<RtspWatch> watch_;  // most connections have nothing for it
  SystemTime last_{};
  std::uint64_t malformed_ = 0;
  ConnectionTotals told_;
  bool encrypted_ = false;
  bool closed_ = false;
};

}  // namespace tallywire::tap
