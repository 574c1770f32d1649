// What goes beside the media: RTCP of both ends, and TCP connections with their RTSP.
#include "probes/tap/tap.hpp"

#include "probes/wire/rtcp.hpp"

namespace tallywire::tap {
namespace {

constexpr auto between_purges = std::chrono::seconds(10);  // of connections, once there are too many
constexpr auto idle_for = std::chrono::seconds(60);
constexpr auto after_close = std::chrono::seconds(2);
constexpr int most_alike = 16;  // streams of one sender and SSRC that a report is laid to
constexpr std::size_t most_reporting = 65536;

void add_totals_of(const ConnectionWatch& connection, TapTotals& out) {
  out.encrypted_connections += connection.encrypted();
  if (!connection.is_rtsp() && !connection.has_sources()) return;
  ++out.rtsp_connections;
  const auto more = connection.totals();
  out.tcp.missing_octets += more.missing_octets;
  out.tcp.holes += more.holes;
  out.tcp.retransmitted_segments += more.retransmitted_segments;
  out.tcp.malformed += more.malformed;
}

}  // namespace

void Tap::announced(Announcement announcement) { announcements_->tell(std::move(announcement)); }

void Tap::rtcp(const wire::Flow& flow, wire::Octets octets, SystemTime when) {
  const auto compound = wire::decode_rtcp(octets);
  if (!compound) return;
  totals_.media_datagrams += flow.transport == wire::Transport::udp;
  const auto each_of = [this](const Sender& sender, auto&& act) {
    const auto [begin, end] = by_sender_.equal_range(sender);
    int looked = 0;
    for (auto at = begin; at != end && looked < most_alike; ++at, ++looked) act(*at->second);
  };
  for (const auto& report : compound->sender_reports) {
    bool known = false;
    const Sender sender{{flow.words[0], flow.words[1]}, report.ssrc};
    each_of(sender, [&](Source& source) {
      if (source.flow().destination() != flow.destination()) return;
      known = true;
      source.recognised(RecognisedBy::rtcp);
      source.meter().add_rtcp(octets, when);
    });
    if (known || reporting_.size() >= most_reporting) continue;
    reporting_[sender] = when;
  }
  // A receiver reports to the sender of what it received.
  const auto take_block = [&](const wire::ReportBlock& block) {
    each_of({{flow.words[2], flow.words[3]}, block.ssrc}, [&](Source& source) {
      if (source.flow().destination() != flow.source()) return;
      source.receiver = {block.cumulative_lost, block.jitter, source.receiver.reports + 1};
    });
  };
  for (const auto& report : compound->receiver_reports)
    for (const auto& block : report.reports) take_block(block);
}

// What a connection has counted stays when it is let go.
void Tap::let_go(const wire::Flow& flow) {
  const auto at = connections_.find(flow);
  if (at == connections_.end()) return;
  at->second->finish(at->second->last());
  add_totals_of(*at->second, totals_);
  connections_.erase(at);
}

void Tap::let_go_closed(SystemTime when) {
  for (; !closed_.empty() && (when - closed_.front().second >= after_close || when < closed_.front().second); closed_.pop_front()) {
    const auto at = connections_.find(closed_.front().first);
    if (at != connections_.end() && at->second->closed()) let_go(closed_.front().first);
  }
}

// When there are too many: those that carry nothing, then those that have been silent.
void Tap::make_room(SystemTime when) {
  if (when - purged_ < between_purges && when >= purged_) return;
  purged_ = when;
  std::vector<wire::Flow> idle;
  for (const auto& [flow, connection] : connections_)
    if ((!connection->has_sources() && !connection->is_rtsp()) || when - connection->last() >= idle_for) idle.push_back(flow);
  for (const auto& flow : idle) let_go(flow);
}

void Tap::take_tcp(const wire::Datagram& segment, SystemTime when) {
  let_go_closed(when);
  auto at = connections_.find(segment.flow);
  if (at == connections_.end()) at = connections_.find(segment.flow.reversed());
  if (at == connections_.end()) {
    if (segment.payload_octets == 0 && !segment.tcp.syn) return;
    if (connections_.size() >= settings_.most_connections) make_room(when);
    if (connections_.size() >= settings_.most_connections) {
      ++totals_.connections_refused;
      return;
    }
    at = connections_.emplace(segment.flow, std::make_unique<ConnectionWatch>(segment.flow, static_cast<ConnectionHost&>(*this))).first;
  }
  const bool was_closed = at->second->closed();
  at->second->add(segment, when);
  if (at->second->closed() && !was_closed) closed_.emplace_back(at->second->flow(), when);
}

TapTotals Tap::totals() const {
  auto out = totals_;
  const auto incomplete = fragments_.incomplete();  // falls when one of those under way becomes whole
  out.incomplete_datagrams = incomplete - std::min(incomplete, incomplete_told_);
  for (const auto& [flow, connection] : connections_) add_totals_of(*connection, out);
  return out;
}

}  // namespace tallywire::tap
