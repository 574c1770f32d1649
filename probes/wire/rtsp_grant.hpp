// What the answer to a SETUP grants, held against what was asked for (RFC 2326 §10.4, §12.39; RFC 7826 §13.3, §14).
#pragma once

#include "probes/fault.hpp"
#include "probes/wire/rtsp_tracks.hpp"

#include <vector>

namespace tallywire::wire {

// The grant with what the answer leaves out filled in from the request (channels) and from the description (group
// and ports of multicast); the channels are the server's, whatever was asked. A Fault, without `where`, when the
// grant is of no use: another transport, a group that is none, a channel that a track `before` has already.
Outcome<TransportGrant> accept_grant(const RtspMessage& answer, const TransportOffer& asked, const SdpMedia& media,
                                     const std::vector<ExchangeTrack>& tracks, std::size_t before);

// The lowest pair of channels from `from` on that none of the first `count` tracks has; even.
int free_channel(int from, const std::vector<ExchangeTrack>& tracks, std::size_t count);

}  // namespace tallywire::wire
