#include "probes/wire/rtsp_input.hpp"

#include <algorithm>

namespace tallywire::wire {
namespace {

constexpr std::size_t frame_head = 4;              // '$', channel, length
constexpr std::size_t message_step = 4096;         // an unfinished message grows by this much between two looks
constexpr std::size_t most_kept_capacity = 65536;  // beyond it memory is given back

bool is_frame(Octets octets) { return !octets.empty() && octets[0] == '$'; }

// None while the length itself is not there.
std::size_t frame_octets(Octets octets) {
  return octets.size() < frame_head ? 0 : frame_head + (std::size_t{octets[2]} << 8 | octets[3]);
}

}  // namespace

RtspInput::Came RtspInput::whole_frame(Octets frame) {
  channel_ = frame[1];
  packet_ = frame.subspan(frame_head);
  return Came::frame;
}

RtspInput::Came RtspInput::take(ParsedRtsp item) {
  if (item.what == ParsedRtsp::What::malformed) {
    fault_ = std::move(item.fault);
    return Came::malformed;
  }
  if (item.what == ParsedRtsp::What::frame) {  // after blank lines that the parser passed over
    channel_ = item.channel;
    packet_ = item.packet;
    return Came::frame;
  }
  message_ = std::move(item.message);
  return Came::message;
}

RtspInput::Came RtspInput::finish_frame() {
  const auto grow_to = [this](std::size_t size) {
    const auto more = std::min(fresh_.size(), size - std::min(size, rest_.size()));
    rest_.insert(rest_.end(), fresh_.begin(), fresh_.begin() + static_cast<std::ptrdiff_t>(more));
    fresh_ = fresh_.subspan(more);
    return rest_.size() >= size;
  };
  if (!grow_to(frame_head) || !grow_to(frame_octets(rest_))) return Came::need_more;
  rest_is_done_ = true;
  return whole_frame(rest_);
}

RtspInput::Came RtspInput::finish_message() {
  while (!fresh_.empty()) {
    const auto step = std::min(fresh_.size(), message_step);
    rest_.insert(rest_.end(), fresh_.begin(), fresh_.begin() + static_cast<std::ptrdiff_t>(step));
    auto item = parse_rtsp(rest_, limits_);
    if (item.what == ParsedRtsp::What::need_more) {
      fresh_ = fresh_.subspan(step);
      continue;
    }
    // What was copied beyond the message belongs to the next item.
    const auto surplus = item.what == ParsedRtsp::What::malformed ? 0 : rest_.size() - item.consumed;
    fresh_ = fresh_.subspan(step - std::min(surplus, step));
    rest_is_done_ = true;
    return take(std::move(item));
  }
  return Came::need_more;
}

RtspInput::Came RtspInput::begin_item() {
  if (is_frame(fresh_)) {
    const auto size = frame_octets(fresh_);
    if (size == 0 || size > fresh_.size()) return finish_frame();
    const auto frame = fresh_.first(size);
    fresh_ = fresh_.subspan(size);
    return whole_frame(frame);
  }
  return finish_message();
}

RtspInput::Came RtspInput::next() {
  if (!fault_.empty()) return Came::malformed;
  if (rest_is_done_) {
    rest_.clear();
    if (rest_.capacity() > most_kept_capacity) rest_.shrink_to_fit();
    rest_is_done_ = false;
  }
  if (rest_.empty()) return fresh_.empty() ? Came::need_more : begin_item();
  return is_frame(rest_) ? finish_frame() : finish_message();
}

}  // namespace tallywire::wire
