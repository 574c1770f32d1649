#include "probes/stream/reception.hpp"

#include "probes/deadline.hpp"
#include "probes/stream/report_interval.hpp"

#include <boost/asio/as_tuple.hpp>

#include <openssl/rand.h>

#include <algorithm>

namespace tallywire::stream {

namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

constexpr auto end_limit = 1s;                    // for the answer to TEARDOWN
constexpr auto progress_interval = 200ms;
// Which socket of a reception holds something, as the beat tells it.
constexpr unsigned control_bit = 0;
constexpr unsigned rtp_bit(std::size_t track) { return 1 + 2 * static_cast<unsigned>(track); }
static_assert(rtp_bit(wire::most_tracks) < 32);
constexpr auto least_worth_resuming = 500ms;

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

// In [0, 1).
double random_share() { return static_cast<double>(random_number() >> 11) / 9007199254740992.0; }

Wrapping::Transport wrapping_of(wire::LowerTransport transport) {
  switch (transport) {
    case wire::LowerTransport::tcp: return Wrapping::Transport::tcp;
    case wire::LowerTransport::udp: return Wrapping::Transport::udp;
    case wire::LowerTransport::multicast: return Wrapping::Transport::multicast;
  }
  return Wrapping::Transport::udp;
}

}  // namespace

Reception::Reception(asio::any_io_executor executor, const StreamRequest& request, wire::Url url,
                     const StreamProgress& progress, Stop& stop)
    : executor_(std::move(executor)), request_(request), url_(std::move(url)), progress_(progress), stop_(stop),
      event_(executor_, asio::steady_timer::time_point::max()) {}

std::string Reception::where() const { return ConnectionPlace{url_.host, url_.port, false}.text(); }

asio::awaitable<Outcome<StreamReport>> Reception::run(wire::LowerTransport transport) {
  transport_ = transport;
  // A stop breaks off whatever is awaited; what follows sees the stop and ends in order.
  const Stop::Subscription stopping(stop_, [this] {
    if (session_) session_->cancel();
    event_.cancel();
  });
  auto beginning = begin_session();
  auto begun = co_await std::move(beginning);
  if (begun) {
    auto receiving = receive();
    co_await std::move(receiving);
    auto resuming = resume_once();
    co_await std::move(resuming);
  }
  auto ending = end_session();
  co_await std::move(ending);
  if (!begun) co_return begun.error();
  if (tracks_.front().meter->packets() > 0) co_return report();
  if (broken_) co_return *broken_;
  if (!stop_.requested()) {
    Fault foreign{FaultKind::malformed, "what the unit sent was no RTP", where(), "repeat; then restart the unit"};
    co_return foreign;
  }
  Fault stopped{FaultKind::cancelled, "stopped before the first packet", where(), ""};
  co_return stopped;
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
  MeterSettings out;
  out.kind = track.media.kind == "application" ? "metadata" : track.media.kind;
  out.codec = codec_of(track.format.encoding);
  out.encoding_name = track.format.encoding;
  out.clock_hz = track.format.clock_hz;
  out.parameter_sets = wire::parameter_sets_of(track.format);
  out.wrapping.ipv6 = url_.host.find(':') != std::string::npos;
  out.wrapping.transport = wrapping_of(transport_);
  read_format_parameters(out, track.format.parameters);
  if (track.media.framerate_hz > 0) out.told.frame_rate_hz = track.media.framerate_hz;
  if (track.media.width > 0 && track.media.height > 0) {
    out.told.width = track.media.width;
    out.told.height = track.media.height;
  }
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
    track.report_due = now + std::chrono::duration_cast<Clock::duration>(report_interval(true, random_share()));
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
  if (interleaved()) return session_->own_address();
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

asio::awaitable<void> Reception::receive() {
  Beat::Subscription beating(executor_, [this](const Beat::Strike& strike) { on_beat(strike); });
  bool watched = beating.watch(session_->connection().descriptor(), control_bit);
  for (std::size_t i = 0; i < tracks_.size(); ++i) {
    if (!tracks_[i].sockets) continue;
    watched = watched && beating.watch(tracks_[i].sockets->rtp_descriptor(), rtp_bit(i)) &&
              beating.watch(tracks_[i].sockets->rtcp_descriptor(), rtp_bit(i) + 1);
  }
  if (!watched)
    break_off({FaultKind::system, "no more sockets can be watched", "this machine", "end other receivers, then repeat"});
  const auto tls_before = session_->tls_octets();
  while (!done()) co_await event_.async_wait(asio::as_tuple(asio::use_awaitable));
  if (!interleaved()) co_return;
  auto& main = *tracks_.front().meter;
  main.add_tcp_overhead(session_->tls_octets() - tls_before);
  if (const auto octets = session_->connection().mean_segment_octets())
    for (auto& track : tracks_) track.meter->tell_tcp_segment(*octets);
}

// What broke the session is no loss: the meters are told of the gap, and the measurement goes on to its planned end.
asio::awaitable<void> Reception::resume_once() {
  if (!broken_ || stop_.requested() || !first_packet_ || broken_->kind == FaultKind::refused) co_return;
  if (Clock::now() - *first_packet_ + least_worth_resuming > request_.duration) co_return;
  for (auto& track : tracks_) track.meter->interrupt();
  resumed_after_ = broken_->what;
  auto ending = end_session();
  co_await std::move(ending);
  broken_.reset();
  auto beginning = begin_session();
  auto begun = co_await std::move(beginning);
  if (begun) {
    auto receiving = receive();
    co_await std::move(receiving);
  } else {
    not_resumed_ = begun.error();
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

void Reception::break_off(Fault fault) {
  if (!broken_) broken_ = std::move(fault);
  event_.cancel();
}

void Reception::on_beat(const Beat::Strike& strike) {
  if (done()) return;
  now_ = strike.now;
  if (strike.readable >> control_bit & 1) drain_control();
  if (!interleaved()) drain_datagrams(strike.readable);
  if (!strike.tick || done()) return;
  look_for_end();
  tell_progress();
  keep_alive();
  send_reports();
}

void Reception::drain_control() {
  if (control_closed_) return;
  const RtspSession::OnFrame frame = [this](std::uint8_t channel, wire::Octets packet, SystemTime when) {
    take_frame(channel, packet, when);
  };
  auto open = session_->drain(frame);
  if (open && *open) return;
  // RFC 2326 §1.1: the session is not bound to the connection; UDP goes on until it falls silent.
  if (open && !interleaved()) {
    control_closed_ = true;
    return;
  }
  if (open)
    break_off({FaultKind::unreachable, "the unit closed the connection", where(),
               "repeat; if it stays so, look whether it serves too many viewers already"});
  else
    break_off(open.error());
}

void Reception::take_frame(std::uint8_t channel, wire::Octets packet, SystemTime when) {
  const auto to = channels_[channel];
  if (to.track == Channel::none) return;
  auto& track = tracks_[to.track];
  track.meter->add_tcp_overhead(4);  // '$', channel, length
  if (to.rtcp)
    track.meter->add_rtcp(packet, when);
  else
    take_packet(track, packet, when);
}

void Reception::take_packet(Track& track, wire::Octets packet, SystemTime when) {
  track.meter->add(packet, when);
  if (&track != &tracks_.front()) return;
  last_packet_ = now_;
  if (!first_packet_) first_packet_ = last_packet_;
}

void Reception::drain_datagrams(std::uint32_t readable) {
  for (std::size_t i = 0; i < tracks_.size(); ++i) {
    auto& track = tracks_[i];
    const MediaSockets::OnPacket rtp = [this, &track](wire::Octets packet, SystemTime when) {
      // RFC 5761: RTCP may share the port.
      if (wire::looks_like_rtcp(packet))
        track.meter->add_rtcp(packet, when);
      else
        take_packet(track, packet, when);
    };
    const MediaSockets::OnPacket rtcp = [&track](wire::Octets packet, SystemTime when) { track.meter->add_rtcp(packet, when); };
    if (readable >> rtp_bit(i) & 1) track.sockets->drain_rtp(rtp);
    if (readable >> (rtp_bit(i) + 1) & 1) track.sockets->drain_rtcp(rtcp);
  }
}

void Reception::look_for_end() {
  const auto now = now_;
  if (first_packet_ && now - *first_packet_ >= request_.duration) {
    over_ = true;
    event_.cancel();
  } else if (now - last_packet_ > request_.answer_limit) {
    if (tracks_.front().meter->packets() == 0)
      break_off({FaultKind::timed_out, "the unit agreed to play and sent no packet", where(),
                 interleaved() ? "repeat; then restart the unit" : "look for a firewall on the way, or use tcp"});
    else
      break_off({FaultKind::timed_out, "the unit stopped sending", where(), "repeat; then restart the unit"});
  }
}

void Reception::tell_progress() {
  const auto now = now_;
  if (!progress_ || !first_packet_ || now < progress_due_) return;
  progress_due_ = now + progress_interval;
  progress_(std::chrono::duration<double>(now - *first_packet_).count(),
            std::chrono::duration<double>(request_.duration).count());
}

void Reception::keep_alive() {
  const auto now = now_;
  if (now < alive_due_ || control_closed_) return;
  alive_due_ = now + std::chrono::seconds(std::max(2, agreed_.timeout_s)) / 2;
  auto sent = session_->keep_alive();
  if (!sent) break_off(sent.error());
}

void Reception::send_reports() {
  const auto now = now_;
  for (auto& track : tracks_) {
    if (now < track.report_due) continue;
    track.report_due = now + std::chrono::duration_cast<Clock::duration>(report_interval(false, random_share()));
    if (track.meter->packets() == 0) continue;
    const auto packet = wire::encode_receiver_report(track.own_ssrc, track.meter->take_reception(now_utc()), "tallywire");
    ++reports_sent_;
    const auto& grant = track.agreed.transport;
    if (!interleaved()) {
      track.sockets->send_rtcp(transport_ == wire::LowerTransport::udp ? grant.server_rtcp : grant.port_rtcp, packet);
    } else if (grant.rtcp_channel >= 0) {
      auto sent = session_->send_frame(static_cast<std::uint8_t>(grant.rtcp_channel), packet);
      if (!sent) break_off(sent.error());
    }
  }
}

StreamReport Reception::report() const {
  const auto& main = tracks_.front();
  auto out = main.meter->report();
  for (auto at = tracks_.begin() + 1; at != tracks_.end(); ++at) out.tracks.push_back(at->meter->track_report());
  const auto& grant = main.agreed.transport;
  out.source = ConnectionPlace{url_.host, interleaved() || grant.server_rtp == 0 ? url_.port : static_cast<std::uint16_t>(grant.server_rtp), false}.text();
  out.destination = destination_;
  describe_session(out);
  return out;
}

void Reception::describe_session(StreamReport& out) const {
  if (resumed_after_ && !not_resumed_ && !broken_)
    out.findings.push_back("the session broke and was resumed once: " + *resumed_after_);
  if (not_resumed_)
    out.findings.push_back("the stream broke off: " + *resumed_after_ + "; it could not be resumed: " + not_resumed_->what);
  if (broken_)
    out.findings.push_back((resumed_after_ ? "the stream broke off a second time: " : "the stream broke off: ") + broken_->what);
  std::uint32_t overrun = 0;
  for (const auto& track : tracks_)
    if (track.sockets) overrun += track.sockets->overrun();
  if (overrun > 0)
    out.findings.push_back("this machine itself dropped " + std::to_string(overrun) +
                           " packets: its own load, not the network");
  SessionSummary session;
  session.rtsp_version = agreed_.version == 2 ? "2.0" : "1.0";
  session.server = agreed_.server;
  session.left_out = agreed_.left_out;
  session.receiver_reports = reports_sent_;
  if (tls_) {
    session.tls_version = tls_->version;
    session.tls_cipher = tls_->cipher;
    session.certificate = tls_->certificate;
    if (tls_->certificate && (out.when < tls_->certificate->not_before || out.when > tls_->certificate->not_after))
      out.findings.push_back("the unit's certificate is not valid today (" + to_rfc3339(tls_->certificate->not_before) + " to " +
                             to_rfc3339(tls_->certificate->not_after) + "): set the unit's clock or renew the certificate");
  }
  out.session = std::move(session);
  out.unread.erase("session");
}

}  // namespace tallywire::stream
