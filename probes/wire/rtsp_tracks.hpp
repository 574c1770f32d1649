// Which media of a session description are set up, in which order and by which URLs (RFC 2326 C.1.1, C.3).
#pragma once

#include "probes/fault.hpp"
#include "probes/wire/rtsp_message.hpp"
#include "probes/wire/sdp.hpp"

#include <string>
#include <vector>

namespace tallywire::wire {

// A medium of the description that was set up. The first video comes first.
struct ExchangeTrack {
  SdpMedia media;
  SdpFormat format;  // the first of the medium
  std::string url;
  TransportGrant transport;
  PortPair own_ports;  // UDP: of what give_ports() gave
};

inline constexpr std::size_t most_tracks = 8;

struct TrackPlan {
  std::vector<ExchangeTrack> tracks;  // without a grant yet; at least the first video
  std::vector<std::string> left_out;  // a sentence for each medium that is not for us to set up
  std::string aggregate;              // for PLAY, TEARDOWN and keep-alives
  bool aggregate_told = false;        // the description names it; otherwise it is the base, as most units take it
};

// The base of relative control URLs: Content-Base, else Content-Location, each taken against the request's
// URL, else that URL itself. A base that cannot be read is passed over.
std::string base_of(const RtspMessage& description, const std::string& request_url);

// `every_track` false: the first video alone. The fault's `where` is left to the caller.
Outcome<TrackPlan> plan_tracks(const SdpSession& session, const std::string& base, bool every_track);

// "audio (PCMU)": how a medium is named to a person.
std::string track_name(const SdpMedia& media);

}  // namespace tallywire::wire
