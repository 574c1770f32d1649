// Finds where interleaved frames (RFC 2326 §10.12) begin in octets that were come upon in their midst: the tap began later
// than the session, or its capture has a hole. A '$' alone is no proof: what it leads to must be RTP or RTCP, and so the next
// ones; a source that is known on its channel is proof enough. No I/O; one thread at a time.
#pragma once

#include "probes/wire/octets.hpp"

#include <bitset>
#include <cstdint>
#include <optional>
#include <utility>
#include <vector>

namespace tallywire::tap {

class InterleavedFinder {
 public:
  // What the connection has shown before: channels of RTP and RTCP, and sources (channel, SSRC).
  struct Known {
    std::bitset<256> channels;
    std::vector<std::pair<std::uint8_t, std::uint32_t>> sources;
  };

  // Octets that follow on those given before. Once a place is found: all octets from there on, a view that holds until the
  // next call; then the search is over and begins anew.
  std::optional<wire::Octets> add(wire::Octets piece, const Known& known);
  void restart();
  std::uint64_t passed_octets() const { return passed_; }  // of this search

 private:
  enum class Answer { yes, no, need_more };
  Answer looks_like_frames(std::size_t at, const Known& known) const;

  std::vector<std::uint8_t> octets_;
  std::size_t at_ = 0;
  std::uint64_t passed_ = 0;
  bool found_ = false;
};

// Whether text begins with a request or an answer of RTSP.
bool looks_like_rtsp(wire::Octets octets);

}  // namespace tallywire::tap
