// A reception's session: opened, its tracks and sockets, ended.
#include "probes/stream/reception.hpp"

#include "probes/deadline.hpp"
#include "probes/stream/report_interval.hpp"

#include <openssl/rand.h>

#include <algorithm>

namespace tallywire::stream {

namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

constexpr auto end_limit = 1s;  // for the answer to TEARDOWN

std::uint64_t random_number() {
  std::uint64_t out = 0;
  RAND_bytes(reinterpret_cast<unsigned char*>(&out), sizeof out);
  return out;
}

std::string random_hex() {
  std::string out;
  for (auto rest = random_number(); out.size() < 16; rest >>= 4) out += "0123456789abcdef"[rest & 15];
  return out;
}

Wrapping::Transport wrapping_of(wire::LowerTransport transport) {
  switch (transport) {
    case wire::LowerTransport::tcp: return Wrapping::Transport::tcp;
    case wire::LowerTransport::udp: return Wrapping::Transport::udp;
    case wire::LowerTransport::multicast: return Wrapping::Transport::multicast;
  }
  return Wrapping::Transport::udp;
}

}  // namespace

Reception::Clock::duration Reception::report_delay(bool first) {
  const double share = static_cast<double>(random_number() >> 11) / 9007199254740992.0;  // in [0, 1)
  return std::chrono::duration_cast<Clock::duration>(report_interval(first, share));
}

asio::awaitable<Outcome<bool>> Reception::begin_session() {
  session_ = std::make_unique<RtspSession>(executor_, url_, request_.answer_limit);
  opened_.clear();
  wire::ExchangeSettings settings;
  settings.url = url_.text();
  settings.login = request_.login;
  settings.allow_basic = request_.allow_basic;
  settings.transport = transport_;
  settings.version = request_.version;
  settings.cnonce = random_hex();
  RtspSession::OpenPorts open = [this](std::size_t count, const std::string& own) { return open_ports(count, own); };
  auto conversing = session_->play(std::move(settings), std::move(open));
  auto playing = co_await std::move(conversing);
  if (!playing) co_return playing;
  auto adopted = adopt(session_->result());
  if (adopted && transport_ == wire::LowerTransport::multicast) adopted = join_groups();
  if (!adopted) co_return adopted;
  map_channels();
  agreed_ = session_->result();
  destination_ = destination();
  tls_ = session_->connection().tls_facts();
  const auto now = Clock::now();
  playing_since_ = last_packet_ = now;
  alive_due_ = now + std::chrono::seconds(std::max(2, agreed_.timeout_s)) / 2;
  control_closed_ = false;
  co_return true;
}

Outcome<std::vector<wire::PortPair>> Reception::open_ports(std::size_t count, const std::string& own_address) {
  std::vector<wire::PortPair> out;
  for (std::size_t i = 0; i < count; ++i) {
    auto sockets = std::make_unique<MediaSockets>();
    auto opened = sockets->open_unicast(own_address, url_.host);
    if (!opened) return opened.error();
    out.push_back({sockets->rtp_port(), sockets->rtcp_port()});
    opened_.push_back(std::move(sockets));
  }
  return out;
}

MeterSettings Reception::settings_of(const wire::ExchangeTrack& track) const {
  auto out = stream::settings_of(track.media, track.format);
  out.wrapping.ipv6 = url_.host.find(':') != std::string::npos;
  out.wrapping.transport = wrapping_of(transport_);
  return out;
}

// The tracks of a new session; of a resumed one, which must be the same as before.
Outcome<bool> Reception::adopt(const wire::ExchangeResult& result) {
  if (tracks_.empty()) {
    for (const auto& agreed : result.tracks) {
      Track track;
      track.agreed = agreed;
      track.meter = std::make_unique<Meter>(settings_of(agreed));
      track.own_ssrc = static_cast<std::uint32_t>(random_number());
      tracks_.push_back(std::move(track));
    }
  }
  const auto other = [](const Track& a, const wire::ExchangeTrack& b) {
    return a.agreed.media.kind != b.media.kind || a.agreed.format.encoding != b.format.encoding;
  };
  bool same = tracks_.size() == result.tracks.size();
  for (std::size_t i = 0; same && i < tracks_.size(); ++i) same = !other(tracks_[i], result.tracks[i]);
  if (!same || tracks_.empty())
    return Fault{FaultKind::malformed, "the unit offers other tracks than before", where(), "repeat"};
  const auto now = Clock::now();
  for (std::size_t i = 0; i < tracks_.size(); ++i) {
    auto& track = tracks_[i];
    track.agreed = result.tracks[i];
    track.sockets.reset();
    if (transport_ == wire::LowerTransport::udp)
      for (auto& sockets : opened_)
        if (sockets && sockets->rtp_port() == track.agreed.own_ports.rtp) track.sockets = std::move(sockets);
    if (transport_ == wire::LowerTransport::udp && !track.sockets)
      return Fault{FaultKind::malformed, "the unit grants ports that were not offered", where(), "try tcp"};
    track.report_due = now + report_delay(true);
  }
  opened_.clear();
  return true;
}

Outcome<bool> Reception::join_groups() {
  for (auto& track : tracks_) {
    const auto& grant = track.agreed.transport;
    MulticastPlace place;
    place.group = grant.destination.empty() ? track.agreed.media.connection : grant.destination;
    place.source = grant.source;
    place.rtp_port = grant.port_rtp;
    place.rtcp_port = grant.port_rtcp;
    place.ttl = std::clamp(grant.ttl, 1, 255);
    track.sockets = std::make_unique<MediaSockets>();
    auto joined = track.sockets->open_multicast(place, session_->own_address());
    if (!joined) return joined.error();
  }
  return true;
}

std::string Reception::destination() const {
  const auto& track = tracks_.front();
  if (interleaved()) return ConnectionPlace{session_->own_address(), session_->connection().own_port(), false}.text();
  const auto& grant = track.agreed.transport;
  const bool group = transport_ == wire::LowerTransport::multicast;
  const auto told = grant.destination.empty() ? track.agreed.media.connection : grant.destination;
  return ConnectionPlace{group ? told : session_->own_address(), static_cast<std::uint16_t>(track.sockets->rtp_port()), false}.text();
}

void Reception::map_channels() {
  channels_.fill({});
  if (!interleaved()) return;
  const auto lead = [this](int channel, std::size_t track, bool rtcp) {
    if (channel >= 0 && channel <= 255) channels_[static_cast<std::size_t>(channel)] = {static_cast<std::uint8_t>(track), rtcp};
  };
  for (std::size_t i = 0; i < tracks_.size(); ++i) {
    lead(tracks_[i].agreed.transport.rtcp_channel, i, true);
    lead(tracks_[i].agreed.transport.rtp_channel, i, false);
  }
}

asio::awaitable<void> Reception::end_session() {
  if (!session_ || !session_->begin_end()) co_return;
  const RtspSession::OnFrame nobody = [](std::uint8_t, wire::Octets, SystemTime) {};
  const auto limit = Clock::now() + end_limit;
  while (!session_->ended() && Clock::now() < limit) {
    auto open = session_->drain(nobody);
    if (!open || !*open || session_->ended()) co_return;
    co_await pause_for(Beat::interval);
  }
}

}  // namespace tallywire::stream
