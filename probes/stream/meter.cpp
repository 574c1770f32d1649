#include "probes/stream/meter.hpp"

#include "probes/wire/h265.hpp"
#include "probes/wire/jpeg.hpp"

#include <algorithm>

namespace tallywire::stream {
namespace {

// RFC 6184 and 7798: the SPS carries the picture; the other sets are not needed.
constexpr unsigned h264_sps = 7;

std::int64_t nanoseconds(SystemTime when) { return when.time_since_epoch().count(); }

}  // namespace

Codec codec_of(const std::string& encoding_name) {
  std::string upper;
  for (const char c : encoding_name) upper += static_cast<char>(c >= 'a' && c <= 'z' ? c - 32 : c);
  if (upper == "H264") return Codec::h264;
  if (upper == "H265" || upper == "HEVC") return Codec::h265;
  if (upper == "JPEG") return Codec::jpeg;
  return upper.empty() ? Codec::unknown : Codec::other;
}

double wire_octets(std::size_t rtp_octets, const Wrapping& wrapping) {
  constexpr double ethernet = 14 + 4, preamble_and_gap = 8 + 12, least_frame = 64;
  const double ip = wrapping.ipv6 ? 40 : 20;
  const double tags = 4.0 * wrapping.vlan_tags;
  const double octets = static_cast<double>(rtp_octets);
  if (wrapping.transport == Wrapping::Transport::tcp) {
    // A bulk stream fills its segments: 1448 octets with the time stamp option (RFC 7323).
    constexpr double segment = 1448, tcp = 20 + 12;
    return octets * (segment + tcp + ip + ethernet + tags + preamble_and_gap) / segment;
  }
  const double frame = octets + 8 + ip + ethernet;
  return std::max(frame, least_frame) + tags + preamble_and_gap;
}

Meter::Meter(MeterSettings settings) : settings_(std::move(settings)) {
  if (settings_.clock_hz == 0) settings_.clock_hz = 90000;
  for (const auto& nal : settings_.parameter_sets) take_parameter_set(nal);
  picture_changed_ = false;
}

// Two packets in a row before another source is believed: a stray packet changes nothing.
bool Meter::accept_source(const wire::RtpPacket& packet) {
  if (!ssrc_) {
    ssrc_ = packet.ssrc;
    return true;
  }
  if (packet.ssrc == *ssrc_) {
    candidate_packets_ = 0;
    return true;
  }
  candidate_packets_ = packet.ssrc == candidate_ssrc_ ? candidate_packets_ + 1 : 1;
  candidate_ssrc_ = packet.ssrc;
  if (candidate_packets_ < 2) {
    ++foreign_;
    return false;
  }
  ssrc_ = packet.ssrc;
  ++source_changes_;
  candidate_packets_ = 0;
  // Another source has numbers and time stamps of its own; totals go on.
  end_frame();
  in_frame_ = false;
  jitter_ = {};
  first_key_.reset();
  keys_ = 0;
  frames_ = 0;
  usual_step_ = 0;
  return true;
}

void Meter::add(std::span<const std::uint8_t> octets, SystemTime when) {
  const auto packet = wire::decode_rtp(octets);
  if (!packet) {
    ++malformed_;
    return;
  }
  if (!accept_source(*packet)) return;
  const auto came = sequence_.add(packet->sequence);
  if (came == SequenceLog::Came::refused) return;
  if (packets_++ == 0) first_ = when;
  last_ = std::max(last_, when);
  const auto arrival = static_cast<std::uint64_t>(
      static_cast<double>(nanoseconds(when) - nanoseconds(first_)) * settings_.clock_hz / 1e9 + (1LL << 40));
  jitter_.add(packet->timestamp, static_cast<std::uint32_t>(arrival));
  if (came == SequenceLog::Came::duplicate) return;
  const double on_wire = wire_octets(octets.size(), settings_.wrapping);
  // A frame begins with the first packet of a newer time stamp; late packets belong to the past.
  const auto step = static_cast<std::int32_t>(packet->timestamp - static_cast<std::uint32_t>(rtp_time_));
  if (!in_frame_ || (came == SequenceLog::Came::in_order && step > 0))
    begin_frame(in_frame_ ? rtp_time_ + step : packet->timestamp);
  payload_octets_ += packet->payload.size();
  wire_octets_ += on_wire;
  frame_octets_ += packet->payload.size();
  windows_.add(nanoseconds(when), static_cast<std::uint32_t>(packet->payload.size()));
  look_into(packet->payload);
}

void Meter::begin_frame(std::int64_t rtp_time) {
  if (in_frame_) {
    end_frame();
    const std::int64_t step = rtp_time - rtp_time_;
    std::int64_t skipped = 0;
    // Frames that were lost whole leave a gap in the numbers and a jump in the time: the unit sent them.
    if (sequence_.last_gap() > 0 && usual_step_ > 0)
      skipped = std::min((step + usual_step_ / 2) / usual_step_ - 1, sequence_.last_gap());
    else
      usual_step_ = step;
    frames_ += std::max<std::int64_t>(0, skipped);
  } else {
    first_rtp_time_ = rtp_time;
  }
  in_frame_ = true;
  rtp_time_ = rtp_time;
  frame_octets_ = 0;
  frame_is_key_ = false;
  frame_begin_ = {rtp_time, frames_, payload_octets_, wire_octets_};
  ++frames_;
}

void Meter::end_frame() {
  if (!in_frame_ || !frame_is_key_) return;
  ++finished_keys_;
  key_octets_ += frame_octets_;
  key_octets_max_ = std::max(key_octets_max_, frame_octets_);
}

void Meter::look_into(wire::Octets payload) {
  bool good = true;
  const auto nal = [this](unsigned type, wire::Octets octets, bool begins) {
    take_nal(type, octets, begins);
  };
  switch (settings_.codec) {
    case Codec::h264: good = wire::split_h264_payload(payload, nal); break;
    case Codec::h265: good = wire::split_h265_payload(payload, nal); break;
    case Codec::jpeg: {
      const auto header = wire::decode_jpeg_header(payload);
      good = header.has_value();
      if (good && header->fragment_offset == 0) take_nal(0, payload, true);
      break;
    }
    case Codec::unknown:
    case Codec::other: break;
  }
  bad_payloads_ += !good;
}

void Meter::take_nal(unsigned type, wire::Octets octets, bool begins) {
  const bool key = settings_.codec == Codec::jpeg ||
                   (settings_.codec == Codec::h264 ? type == 5 : wire::is_h265_key(type));
  if (key && !frame_is_key_) {
    frame_is_key_ = true;
    if (!first_key_) first_key_ = frame_begin_;
    last_key_ = frame_begin_;
    ++keys_;
  }
  if (!begins) return;
  if (settings_.codec == Codec::jpeg) {
    const auto header = wire::decode_jpeg_header(octets);
    if (header && header->width > 0 && header->height > 0)
      picture_ = wire::PictureFormat{header->width, header->height, "Baseline", "", {}};
  } else if (type == (settings_.codec == Codec::h264 ? h264_sps : wire::h265_sps_type)) {
    take_parameter_set(octets);
  }
}

void Meter::take_parameter_set(wire::Octets nal) {
  if (std::equal(nal.begin(), nal.end(), parameter_set_.begin(), parameter_set_.end())) return;
  const auto format = settings_.codec == Codec::h265 ? wire::decode_h265_sps(nal)
                      : settings_.codec == Codec::h264 ? wire::decode_h264_sps(nal)
                                                       : std::nullopt;
  if (!format) return;
  picture_changed_ = picture_ && (picture_->width != format->width || picture_->height != format->height);
  picture_ = *format;
  parameter_set_.assign(nal.begin(), nal.end());
}

void Meter::add_rtcp(std::span<const std::uint8_t> octets, SystemTime when) {
  const auto compound = wire::decode_rtcp(octets);
  if (!compound) {
    ++malformed_;
    return;
  }
  for (const auto& report : compound->sender_reports) {
    if (ssrc_ && report.ssrc != *ssrc_) continue;
    sender_report_ = report;
    sender_report_at_ = when;
  }
}

wire::ReportBlock Meter::take_reception(SystemTime now) {
  wire::ReportBlock out;
  out.ssrc = ssrc_.value_or(0);
  const std::int64_t expected = sequence_.expected() - reported_expected_;
  const std::int64_t received = sequence_.received() - reported_received_;
  reported_expected_ = sequence_.expected();
  reported_received_ = sequence_.received();
  out.fraction_lost = wire::fraction_lost(expected, expected - received);
  out.cumulative_lost = wire::clamp_cumulative(sequence_.lost());
  out.extended_highest = sequence_.extended_highest();
  out.jitter = static_cast<std::uint32_t>(jitter_.value());
  if (sender_report_) {
    out.last_sr = wire::middle_of(sender_report_->ntp_time);
    const double delay_s = std::chrono::duration<double>(now - sender_report_at_).count();
    out.delay_since_sr = static_cast<std::uint32_t>(std::max(0.0, delay_s) * 65536);
  }
  return out;
}

}  // namespace tallywire::stream
