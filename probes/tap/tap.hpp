// The tap: captured frames in, whatever they come from; every media stream in them metered by the stream room's meter.
// Streams are known by the RTSP exchange on the same wire, by RTCP, by a design that names the units, or by validated
// sequences (RFC 3550 A.1, with one packet more than its two, times that make sense, and no payload type of RTCP), so
// that ordinary UDP is not taken for media. No I/O, no clock of its own; memory grows with streams, not with
// frames. One thread at a time; a live tap has one for each capture thread.
#pragma once

#include "probes/tap/announcements.hpp"
#include "probes/tap/captured_frame.hpp"
#include "probes/tap/connection_watch.hpp"
#include "probes/tap/flow_table.hpp"
#include "probes/tap/source_pool.hpp"
#include "probes/wire/ip_fragments.hpp"

#include <array>
#include <cstdint>
#include <deque>
#include <map>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <unordered_map>
#include <vector>

namespace tallywire::tap {

struct TapSettings {
  std::vector<wire::IpAddress> units;  // whose UDP is media by a design: two packets in sequence do
  std::size_t most_streams = 32768;
  std::size_t most_connections = 16384;
  std::size_t most_held_octets = 64 * 1024 * 1024;  // of packets that are not believed yet
  std::chrono::nanoseconds forget_after = std::chrono::minutes(10);  // of silence, when meters begin anew
};

// What went by.
struct TapTotals {
  std::uint64_t frames = 0;
  std::uint64_t octets = 0;               // on the wire, without FCS
  std::uint64_t cut_frames = 0;           // the capture holds less of them than there was
  std::uint64_t udp_datagrams = 0, tcp_segments = 0, other_frames = 0, malformed_frames = 0;
  std::uint64_t clock_steps = 0;          // the capture's own clock was set back
  std::uint64_t encapsulated_frames = 0;  // GRE, ERSPAN, VXLAN, MPLS, PPPoE: what is in them is not read
  std::uint64_t untimed_frames = 0;       // the capture does not tell when they came
  std::uint64_t unreadable_frames = 0;    // of a link layer that is not known, or cut within their headers
  std::uint64_t media_datagrams = 0;      // UDP that was metered, and its RTCP
  std::uint64_t incomplete_datagrams = 0; // of which fragments never came
  std::uint64_t streams_refused = 0;      // beyond most_streams
  std::uint64_t connections_refused = 0;  // segments of connections beyond most_connections
  std::uint64_t rtsp_connections = 0, encrypted_connections = 0;
  ConnectionTotals tcp;                   // of connections that carry RTSP
  std::optional<SystemTime> first, last;
};

class Tap : private ConnectionHost {
 public:
  static constexpr std::size_t most_frames_a_batch = 64;

  Tap(TapSettings settings, std::shared_ptr<Announcements> announcements);
  // At most most_frames_a_batch, in the order in which they were caught.
  void add(std::span<const CapturedFrame> frames);
  // No more frames come: what waits for a hole to be filled is let go.
  void finish();
  // The tap was away, as when its interface went down: what passed meanwhile is neither lost nor part of any rate.
  void interrupt();
  // What sources are asked for before they report: labels that came late, lengths of segments.
  void settle();

  // Meters and totals begin anew; what the streams are stays known, those that have fallen silent are not reported, and
  // what was silent for longer than forget_after is forgotten: a tap held for months holds no more than one held for an
  // hour. Pointers to streams do not outlive this.
  void begin_anew();
  // The streams that sent most since the call before, with the octets on the wire that they sent; at most `most`.
  std::vector<std::pair<Source*, double>> heaviest(std::size_t most);
  TapTotals totals() const;
  std::size_t streams() const { return sources_.size(); }
  // Of these, those that sent something since the beginning, or since begin_anew().
  std::size_t streams_heard() const;
  Source& stream(std::size_t index) { return sources_[index]; }
  const Source& stream(std::size_t index) const { return sources_[index]; }

 private:
  struct Item {
    wire::Datagram datagram;
    std::size_t hash = 0;
    FlowSlot* slot = nullptr;
  };

  SystemTime believable(SystemTime when);
  void take(const CapturedFrame& frame, Item& item);
  void take_udp(FlowSlot& slot, const wire::Datagram& datagram, SystemTime when);
  void take_unknown(FlowSlot& slot, const wire::Datagram& datagram, std::uint32_t ssrc, SystemTime when);
  void take_candidate(FlowSlot& slot, FlowMemory& memory, const wire::Datagram& datagram, std::uint32_t ssrc, SystemTime when);
  std::optional<RecognisedBy> reason_for(const FlowMemory& memory, const wire::Flow& flow, const Candidate& candidate, std::uint8_t payload_type) const;
  void take_tcp(const wire::Datagram& segment, SystemTime when);
  void make_room(SystemTime when);
  void let_go_closed(SystemTime when);
  void let_go(const wire::Flow& flow);
  FlowMemory& memory_of(FlowSlot& slot);
  void look_for_announcement(FlowSlot& slot, FlowMemory& memory);
  bool is_unit(const wire::Flow& flow) const;
  void forget_silent(SystemTime now);
  void forget_strangers();
  void forget_sources(SystemTime since);

  Source* new_source(const wire::Flow& flow, int vlan_tags, std::uint8_t payload_type, std::uint32_t ssrc, RecognisedBy by) override;
  void announced(Announcement announcement) override;
  wire::TcpReassembly::Account& kept_segments() override { return kept_segments_; }
  void rtcp(const wire::Flow& flow, wire::Octets compound, SystemTime when) override;

  struct FlowHash {
    std::size_t operator()(const wire::Flow& flow) const { return flow.hash(); }
  };
  using Sender = std::pair<std::array<std::uint64_t, 2>, std::uint32_t>;  // address, SSRC
  struct SenderHash {
    std::size_t operator()(const Sender& s) const {
      return (s.first[0] * 0x9e3779b97f4a7c15u ^ s.first[1] * 0xc2b2ae3d27d4eb4fu ^ s.second) * 0xff51afd7ed558ccdu >> 7;
    }
  };

  TapSettings settings_;
  std::shared_ptr<Announcements> announcements_;
  TapTotals totals_;
  std::array<Item, most_frames_a_batch> items_;
  wire::TcpReassembly::Account kept_segments_;  // before the connections, which give back what they keep
  FlowTable flows_;
  SourcePool sources_;
  std::unordered_multimap<Sender, Source*, SenderHash> by_sender_;
  std::unordered_map<wire::Flow, std::unique_ptr<ConnectionWatch>, FlowHash> connections_;
  std::deque<std::pair<wire::Flow, SystemTime>> closed_;  // connections that ended; what is sent again may still come
  std::map<Sender, SystemTime> reporting_;  // senders whose RTCP went by before their media were known
  wire::IpFragments fragments_;
  std::size_t held_octets_ = 0;
  std::uint64_t settled_version_ = 0;
  SystemTime purged_{};
  std::uint64_t incomplete_told_ = 0;
  SystemTime newest_{};  // of all frames since the capture's clock was set back last
};

}  // namespace tallywire::tap
