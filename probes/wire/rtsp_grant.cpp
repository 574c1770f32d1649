#include "probes/wire/rtsp_grant.hpp"

#include "probes/wire/rtsp_text.hpp"
#include "probes/wire/url.hpp"

namespace tallywire::wire {
namespace {

const char* other_transport(LowerTransport asked, const TransportGrant& grant) {
  if (grant.tcp) return "try tcp";
  if (grant.multicast) return "try multicast";
  return asked == LowerTransport::udp ? "try tcp" : "try udp";
}

bool fits(LowerTransport asked, const TransportGrant& grant) {
  if (grant.tcp || asked == LowerTransport::tcp) return grant.tcp == (asked == LowerTransport::tcp);
  // The words are required (RFC 2326 §12.39); where both are missing the answer means what was asked (common practice).
  return asked == LowerTransport::multicast ? !grant.unicast : !grant.multicast;
}

bool has_channel(const ExchangeTrack& track, int channel) {
  return track.transport.tcp && (track.transport.rtp_channel == channel || track.transport.rtcp_channel == channel);
}

// What a unit leaves to its description (RFC 2326 C.1.2: c= and m=).
void fill_group(TransportGrant& grant, const SdpMedia& media) {
  if (grant.destination.empty()) grant.destination = media.connection;
  if (grant.port_rtp == 0 && media.port != 0) {
    grant.port_rtp = media.port;
    grant.port_rtcp = media.port + 1;  // RFC 3550 §11
  }
  if (grant.ttl == 0) grant.ttl = media.ttl;
  grant.multicast = true;
}

}  // namespace

Outcome<TransportGrant> accept_grant(const RtspMessage& answer, const TransportOffer& asked, const SdpMedia& media,
                                     const std::vector<ExchangeTrack>& tracks, std::size_t before) {
  const auto grants = decode_transport(answer.header("transport"));
  if (!grants || grants->empty())
    return Fault{FaultKind::malformed, "the unit's answer to SETUP cannot be read", "", "repeat; then restart the unit"};
  auto grant = grants->front();
  if (!fits(asked.transport, grant))
    return Fault{FaultKind::unsupported, "the unit granted another transport than was asked for", "",
                 other_transport(asked.transport, grant)};
  if (asked.transport == LowerTransport::multicast) {
    fill_group(grant, media);
    if (!is_multicast(grant.destination) || grant.port_rtp == 0 || grant.port_rtcp > 65535)
      return Fault{FaultKind::unsupported, "the unit names no multicast group to join: " + excerpt(grant.destination, 60),
                   "", "set group and port in the unit, or use tcp"};
  }
  if (asked.transport == LowerTransport::tcp && grant.rtp_channel < 0) {  // not told: as asked (common practice)
    grant.rtp_channel = asked.channel;
    grant.rtcp_channel = asked.channel + 1;
  }
  for (std::size_t i = 0; i < before && grant.tcp; ++i)
    if (has_channel(tracks[i], grant.rtp_channel) || has_channel(tracks[i], grant.rtcp_channel))
      return Fault{FaultKind::malformed, "the unit put it on the channel of another track", "", "use udp"};
  return grant;
}

int free_channel(int from, const std::vector<ExchangeTrack>& tracks, std::size_t count) {
  for (int channel = from;; channel += 2) {
    bool taken = false;
    for (std::size_t i = 0; i < count; ++i)
      taken |= has_channel(tracks[i], channel) || has_channel(tracks[i], channel + 1);
    if (!taken || channel >= 252) return channel;
  }
}

}  // namespace tallywire::wire
