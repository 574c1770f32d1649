// What a reception has to tell in the end.
#include "probes/stream/reception.hpp"

namespace tallywire::stream {

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
  SessionSummary session;
  if (resumed_after_ && !not_resumed_) out.findings.push_back("why the session broke: " + *resumed_after_);
  if (not_resumed_) session.broke_off = *resumed_after_ + "; it could not be resumed: " + not_resumed_->what;
  if (broken_) session.broke_off = (resumed_after_ ? "a second time: " : "") + broken_->what;
  if (session.broke_off) out.findings.push_back("the stream broke off: " + *session.broke_off);
  std::uint32_t overrun = 0;
  for (const auto& track : tracks_)
    if (track.sockets) overrun += track.sockets->overrun();
  if (overrun > 0)
    out.findings.push_back("this machine itself dropped " + std::to_string(overrun) +
                           " packets: its own load, not the network");
  session.rtsp_version = agreed_.version == 2 ? "2.0" : "1.0";
  session.server = agreed_.server;
  session.left_out = agreed_.left_out;
  session.receiver_reports = reports_sent_;
  session.login_asked = agreed_.login_asked;
  session.dropped_here_packets = overrun;
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
