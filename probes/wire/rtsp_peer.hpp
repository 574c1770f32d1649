// What a unit asks of us in the middle of a conversation (RFC 2326 §10, RFC 7826 §13), and what it is answered.
#pragma once

#include "probes/wire/rtsp_message.hpp"

#include <string>

namespace tallywire::wire {

struct PeerRequest {
  enum class Means {
    nothing,  // answered, and all goes on
    ended,    // the session is gone; `why` is the sentence
    moved,    // REDIRECT: `location` is where to
  } means = Means::nothing;
  std::string reply;  // to be written
  std::string location;
  std::string why;
};

// 200 for what does no harm, 451 when it asks for or sets a parameter (we have none), 454 for a session that is not
// `session`, 400 without a CSeq, 501 for the rest.
PeerRequest answer_request(const RtspMessage& request, const std::string& session, int version);

}  // namespace tallywire::wire
