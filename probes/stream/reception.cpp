// A reception while it receives: what each beat brings, and what is due by the clock. How its session is opened and ended
// stands in reception_session.cpp.
#include "probes/stream/reception.hpp"

#include <boost/asio/as_tuple.hpp>
#include <boost/asio/use_awaitable.hpp>

#include <algorithm>

namespace tallywire::stream {

namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

constexpr auto progress_interval = 200ms;
constexpr auto least_worth_resuming = 500ms;
constexpr auto between_tries = 1s;

// Which socket of a reception holds something, as the beat tells it.
constexpr unsigned control_bit = 0;
constexpr unsigned rtp_bit(std::size_t track) { return 1 + 2 * static_cast<unsigned>(track); }
static_assert(rtp_bit(wire::most_tracks) < 32);

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

// What broke the session is no loss: the meters are told of the gap, and the measurement goes on to its planned end. A unit
// that starts again refuses for a while: it is asked each second until the time is up.
asio::awaitable<void> Reception::resume_once() {
  if (!broken_ || stop_.requested() || !first_packet_ || broken_->kind == FaultKind::refused) co_return;
  const auto until = *first_packet_ + request_.duration - least_worth_resuming;
  if (Clock::now() > until) co_return;
  for (auto& track : tracks_) track.meter->interrupt();
  resumed_after_ = broken_->what;
  auto ending = end_session();
  co_await std::move(ending);
  broken_.reset();
  for (;;) {
    auto beginning = begin_session();
    auto begun = co_await std::move(beginning);
    if (begun) {
      not_resumed_.reset();
      break;
    }
    not_resumed_ = begun.error();
    const auto kind = begun.error().kind;
    const bool may_pass = kind == FaultKind::unreachable || kind == FaultKind::timed_out;
    if (!may_pass || stop_.requested() || Clock::now() + between_tries > until) co_return;
    event_.expires_after(between_tries);
    co_await event_.async_wait(asio::as_tuple(asio::use_awaitable));
    event_.expires_at(asio::steady_timer::time_point::max());
    if (stop_.requested()) co_return;
  }
  auto receiving = receive();
  co_await std::move(receiving);
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
    // Reports are counted at their time among the packets, though they come by a socket of their own.
    std::vector<std::pair<std::vector<std::uint8_t>, SystemTime>> reports;
    const MediaSockets::OnPacket rtcp = [&reports](wire::Octets packet, SystemTime when) {
      reports.emplace_back(std::vector<std::uint8_t>(packet.begin(), packet.end()), when);
    };
    if (readable >> (rtp_bit(i) + 1) & 1) track.sockets->drain_rtcp(rtcp);
    auto next = reports.begin();
    const MediaSockets::OnPacket rtp = [&](wire::Octets packet, SystemTime when) {
      for (; next != reports.end() && next->second <= when; ++next) track.meter->add_rtcp(next->first, next->second);
      // RFC 5761: RTCP may share the port.
      if (wire::looks_like_rtcp(packet))
        track.meter->add_rtcp(packet, when);
      else
        take_packet(track, packet, when);
    };
    if (readable >> rtp_bit(i) & 1) track.sockets->drain_rtp(rtp);
    for (; next != reports.end(); ++next) track.meter->add_rtcp(next->first, next->second);
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
      break_off({FaultKind::timed_out, "nothing came from the unit any more", where(), "look at the link; then restart the unit"});
  }
}

void Reception::tell_progress() {
  const auto now = now_;
  if (!first_packet_ || now < progress_due_) return;
  progress_due_ = now + progress_interval;
  if (request_.brought) {
    double octets = 0;
    for (const auto& track : tracks_) octets += track.meter->wire_octets_in_all();
    request_.brought(octets, std::chrono::duration<double>(now - *first_packet_).count());
  }
  if (!progress_) return;
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
    track.report_due = now + report_delay(false);
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

}  // namespace tallywire::stream
