#include "probes/tap/interleaved_finder.hpp"

#include "probes/wire/rtp.hpp"

#include <algorithm>
#include <cstring>
#include <string_view>

namespace tallywire::tap {
namespace {

constexpr std::size_t frame_head = 4;
constexpr int least_frames = 3, least_known_frames = 2;

// RTP or RTCP by its first octets; `whole` is what the frame's head tells.
bool looks_like_media(wire::Octets head, std::size_t whole) {
  if (whole < 8 || head[0] >> 6 != 2) return false;
  const int type = head[1] & 0x7f;
  const bool rtcp = type >= 72 && type <= 76;  // RFC 3550 §12.1: 200 to 204
  return rtcp || (whole >= 12 && (type < 64 || type > 95));
}

}  // namespace

bool looks_like_rtsp(wire::Octets octets) {
  const std::string_view text(reinterpret_cast<const char*>(octets.data()), octets.size());
  if (text.substr(0, 5) == "RTSP/") return true;
  for (const std::string_view method : {"OPTIONS ", "DESCRIBE ", "SETUP ", "PLAY ", "PAUSE ", "TEARDOWN ", "GET_PARAMETER ",
                                        "SET_PARAMETER ", "ANNOUNCE ", "RECORD ", "REDIRECT ", "PLAY_NOTIFY "})
    if (text.substr(0, method.size()) == method) {
      const auto rest = text.substr(method.size(), 8);
      return rest.substr(0, 5) == "rtsp:" || rest.substr(0, 6) == "rtsps:" || rest.substr(0, 2) == "* ";
    }
  return false;
}

void InterleavedFinder::restart() {
  octets_.clear();
  at_ = 0;
  passed_ = 0;
  found_ = false;
}

InterleavedFinder::Answer InterleavedFinder::looks_like_frames(std::size_t at, const Known& known) const {
  const wire::Octets all = octets_;
  const int enough = known.channels.any() ? least_known_frames : least_frames;
  for (int frames = 0; frames < enough; ++frames) {
    const auto rest = all.subspan(at);
    if (rest.size() < frame_head + 2) return Answer::need_more;
    // Between two frames an answer may stand.
    if (frames > 0 && looks_like_rtsp(rest)) return Answer::yes;
    if (rest[0] != '$') return Answer::no;
    const std::size_t length = std::size_t{rest[2]} << 8 | rest[3];
    if (!looks_like_media(rest.subspan(frame_head), length)) return Answer::no;
    if (known.channels.any() && !known.channels[rest[1]]) return Answer::no;
    if (!known.sources.empty() && rest.size() >= frame_head + 12) {
      const auto ssrc = std::uint32_t{rest[12]} << 24 | std::uint32_t{rest[13]} << 16 | std::uint32_t{rest[14]} << 8 | rest[15];
      const std::pair<std::uint8_t, std::uint32_t> source(rest[1], ssrc);
      if (std::find(known.sources.begin(), known.sources.end(), source) != known.sources.end()) return Answer::yes;
    }
    at += frame_head + length;
    if (at > all.size()) return Answer::need_more;
  }
  return Answer::yes;
}

std::optional<wire::Octets> InterleavedFinder::add(wire::Octets piece, const Known& known) {
  if (found_) restart();
  octets_.erase(octets_.begin(), octets_.begin() + static_cast<std::ptrdiff_t>(at_));
  at_ = 0;
  octets_.insert(octets_.end(), piece.begin(), piece.end());
  while (at_ < octets_.size()) {
    const auto* next = static_cast<const std::uint8_t*>(std::memchr(&octets_[at_], '$', octets_.size() - at_));
    const auto place = next ? static_cast<std::size_t>(next - octets_.data()) : octets_.size();
    passed_ += place - at_;
    at_ = place;
    if (!next) break;
    const auto answer = looks_like_frames(at_, known);
    if (answer == Answer::need_more) break;
    if (answer == Answer::yes) {
      found_ = true;
      return wire::Octets(octets_).subspan(at_);
    }
    ++at_;
    ++passed_;
  }
  return std::nullopt;
}

}  // namespace tallywire::tap
