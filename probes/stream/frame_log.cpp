#include "probes/stream/frame_log.hpp"

#include <algorithm>

namespace tallywire::stream {
namespace {

constexpr std::int64_t second_ns = 1'000'000'000;
// Time stamps that run ahead of the arrivals, or back, by more than this are those of another start: no queue can
// deliver what was not yet sent, and no encoder reorders over seconds.
constexpr std::int64_t believable_lead_ns = 5 * second_ns;
// Behind the arrivals they may fall as long as a connection may stall.
constexpr std::int64_t believable_stall_ns = 60 * second_ns;

void add_to(Between& sums, const Between& more) {
  sums.count += more.count;
  sums.frames += more.frames;
  sums.ticks += more.ticks;
  sums.payload_octets += more.payload_octets;
  sums.wire_octets += more.wire_octets;
  sums.units += more.units;
}

}  // namespace

void FrameLog::sum_up(Between& sums, const Mark& from, const Mark& to) {
  sums.frames += to.frames - from.frames;
  sums.ticks += to.rtp_time - from.rtp_time;
  sums.payload_octets += to.payload_octets - from.payload_octets;
  sums.wire_octets += to.wire_octets - from.wire_octets;
  sums.units += to.units - from.units;
}

std::int64_t FrameLog::nanoseconds(std::int64_t ticks) const {
  return static_cast<std::int64_t>(static_cast<double>(ticks) * 1e9 / clock_hz_);
}

void FrameLog::learn(std::uint32_t clock_hz, bool by_picture) {
  end_stretch();
  past_frame_sums_ = past_gop_sums_ = {};
  past_clock_.reset();
  clock_hz_ = clock_hz;
  by_picture_ = by_picture;
}

bool FrameLog::add(const PacketFacts& packet) {
  auto step = static_cast<std::int32_t>(packet.rtp_time - static_cast<std::uint32_t>(rtp_time_));
  if (!in_stretch_) {
    begin_stretch(packet);
    step = 0;
  } else if (step != 0 && packet.in_order) {
    begin_frame(step, packet);
    step = 0;
  } else if (step == 0) {
    frame_missing_ += packet.in_order ? packet.missing : -1;
  }
  last_at_ns_ = std::max(last_at_ns_, packet.at_ns);
  here_.payload_octets += packet.payload_octets;
  largest_payload_ = std::max(largest_payload_, packet.payload_octets);
  here_.wire_octets += packet.wire_octets;
  if (step != 0) return false;
  frame_octets_ += packet.payload_octets;
  marked_ = marked_ || packet.marker;
  return true;
}

void FrameLog::begin_stretch(const PacketFacts& packet) {
  in_stretch_ = true;
  rtp_time_ = latest_rtp_time_ = packet.rtp_time;
  first_at_ns_ = last_at_ns_ = begun_at_ns_ = packet.at_ns;
  delay_ns_ = least_delay_ns_ = 0;
  here_.rtp_time = rtp_time_;
  here_.frames = 0;
  begin_ = first_ = counted_ = here_;
  here_.frames = 1;
  ++received_frames_;
  frame_octets_ = frame_missing_ = 0;
}

bool FrameLog::jumped(std::int64_t step, std::int64_t at_ns) const {
  const std::int64_t told = nanoseconds(step), passed = at_ns - begun_at_ns_;
  const std::int64_t queued = delay_ns_ - least_delay_ns_;
  return told < -believable_lead_ns || told - passed > believable_lead_ns + queued ||
         passed - told > believable_stall_ns;
}

bool FrameLog::goes_on(std::uint32_t rtp_time, std::int64_t at_ns) const {
  if (!in_stretch_) return false;
  const auto step = static_cast<std::int32_t>(rtp_time - static_cast<std::uint32_t>(rtp_time_));
  const std::int64_t told = nanoseconds(step), passed = at_ns - begun_at_ns_;
  return step > 0 && std::abs(told - passed) < 2 * second_ns;
}

void FrameLog::begin_frame(std::int64_t step, const PacketFacts& packet) {
  if (jumped(step, packet.at_ns)) {
    ++time_jumps_;
    end_stretch();
    begin_stretch(packet);
    return;
  }
  delay_ns_ += packet.at_ns - begun_at_ns_ - nanoseconds(step);
  least_delay_ns_ = std::min(least_delay_ns_, delay_ns_);
  begun_at_ns_ = packet.at_ns;
  rtp_time_ += step;
  if (by_picture_ && !has_picture_) {
    // Parameter sets with a time stamp of their own belong to the frame that follows.
    begin_.rtp_time = rtp_time_;
    if (first_.frames == begin_.frames) first_.rtp_time = rtp_time_;
    frame_missing_ += packet.missing;
  } else {
    finish_frame(packet.missing == 0);
    counted_ = begin_;
    here_.frames += lost_between(step, packet.missing);
    begin_ = here_;
    begin_.rtp_time = rtp_time_;
    ++here_.frames;
    ++received_frames_;
    frame_octets_ = 0;
    frame_missing_ = packet.missing;
    has_picture_ = is_key_ = marked_ = false;
  }
  latest_rtp_time_ = std::max(latest_rtp_time_, rtp_time_);
  if (step > 0) envelope_.add(packet.at_ns, nanoseconds(rtp_time_ - first_.rtp_time), received_frames_);
}

// A frame is whole when no number is missing in it and its last packet came (marker, or the next frame at once).
void FrameLog::finish_frame(bool followed_at_once) {
  if (frame_missing_ != 0 || !(marked_ || followed_at_once)) return;
  frame_octets_max_ = std::max(frame_octets_max_, frame_octets_);
  if (!is_key_) return;
  ++whole_keys_;
  key_octets_ += frame_octets_;
  key_octets_max_ = std::max(key_octets_max_, frame_octets_);
  key_octets_min_ = key_octets_min_ == 0 ? frame_octets_ : std::min(key_octets_min_, frame_octets_);
}

// Frames that were lost whole leave a gap in the numbers and a jump in the time: the unit sent them.
std::int64_t FrameLog::lost_between(std::int64_t step, std::int64_t missing) {
  if (step < 0) reorders_ = true;
  if (reorders_) return 0;
  if (missing == 0) {
    take_step(step);
    return 0;
  }
  if (usual_step_ == 0) return 0;
  const std::int64_t lost =
      std::clamp<std::int64_t>((step + usual_step_ / 2) / usual_step_ - 1, 0, missing);
  lost_frames_ += lost;
  // A hole with room for most of a key frame may have swallowed one.
  gop_is_doubtful_ = gop_is_doubtful_ || (lost > 0 && missing * largest_payload_ * 2 >= key_octets_min_);
  const bool fits = std::abs(step - (lost + 1) * usual_step_) * 8 < usual_step_;
  doubtful_ += fits ? 0 : std::max<std::int64_t>(1, lost);
  return lost;
}

// A step half as long again as the usual one, with nothing lost, is a frame that the unit left out; the same step
// twice running is another frame rate.
void FrameLog::take_step(std::int64_t step) {
  if (usual_step_ == 0 || step * 2 <= usual_step_ * 3) {
    usual_step_ = step;
    odd_step_ = odd_count_ = 0;
  } else if (odd_step_ > 0 && std::abs(step - odd_step_) * 8 < odd_step_) {
    left_out_ -= odd_count_;
    usual_step_ = step;
    odd_step_ = odd_count_ = 0;
  } else {
    odd_step_ = step;
    odd_count_ = (step + usual_step_ / 2) / usual_step_ - 1;
    left_out_ += odd_count_;
  }
}

void FrameLog::count_gop(std::int64_t frames, std::int64_t ticks) {
  auto& gops = gop_is_doubtful_ ? doubtful_gops_ : known_gops_;
  gops.frames_min = gops.count == 0 ? frames : std::min(gops.frames_min, frames);
  gops.frames_max = std::max(gops.frames_max, frames);
  ++gops.count;
  gops.frames += frames;
  gops.ticks += ticks;
}

FrameLog::Gops FrameLog::gops() const {
  if (known_gops_.count > 0) return known_gops_;
  const bool alike = doubtful_gops_.count > 1 && doubtful_gops_.frames_max * 2 <= doubtful_gops_.frames_min * 3;
  return alike ? doubtful_gops_ : Gops{};
}

void FrameLog::key() {
  has_picture_ = true;
  if (is_key_) return;
  is_key_ = has_keys_ = true;
  if (keys_ == 0) {
    first_key_ = begin_;
  } else {
    count_gop(begin_.frames - last_key_.frames, begin_.rtp_time - last_key_.rtp_time);
  }
  gop_is_doubtful_ = false;
  last_key_ = begin_;
  ++keys_;
}

void FrameLog::end_stretch() {
  if (!in_stretch_) return;
  finish_frame(false);
  past_frame_sums_ = frame_sums();
  past_gop_sums_ = gop_sums();
  past_ns_ += last_at_ns_ - first_at_ns_;
  past_frames_ += newest().frames + 1;
  past_keys_ += keys_;
  past_clock_ = clock();
  envelope_.restart();
  in_stretch_ = has_picture_ = is_key_ = marked_ = false;
  here_.frames = 0;
  begin_ = first_ = counted_ = here_;
  keys_ = 0;
  usual_step_ = odd_step_ = odd_count_ = 0;
}

Between FrameLog::frame_sums() const {
  Between here;
  if (in_stretch_) {
    Mark to = newest();
    if (reorders_) to.rtp_time = latest_rtp_time_;
    sum_up(here, first_, to);
  }
  here.count = here.frames;
  add_to(here, past_frame_sums_);
  return here;
}

Between FrameLog::gop_sums() const {
  Between here;
  if (keys_ >= 2) {
    sum_up(here, first_key_, last_key_);
    here.count = keys_ - 1;
  }
  add_to(here, past_gop_sums_);
  return here;
}

double FrameLog::metered_s() const {
  return static_cast<double>(past_ns_ + (in_stretch_ ? last_at_ns_ - first_at_ns_ : 0)) / 1e9;
}

std::optional<ClockEstimate> FrameLog::clock() const {
  // One tick either way, and a microsecond for our own stamp.
  const auto here = envelope_.estimate(2e9 / clock_hz_ + 1000);
  if (!here || (past_clock_ && past_clock_->span_s >= here->span_s)) return past_clock_;
  return here;
}

double FrameLog::clock_span_s() const { return envelope_.span_s(); }

}  // namespace tallywire::stream
