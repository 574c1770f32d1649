#include "probes/stream/meter.hpp"

#include "probes/wire/h265.hpp"
#include "probes/wire/jpeg.hpp"

#include <algorithm>

namespace tallywire::stream {
namespace {

std::int64_t nanoseconds(SystemTime when) { return when.time_since_epoch().count(); }

}  // namespace

Meter::Meter(MeterSettings settings)
    : codec_(settings.codec),
      clock_hz_(settings.clock_hz == 0 ? 90000 : settings.clock_hz),
      ticks_per_ns_(clock_hz_ / 1e9),
      frames_(clock_hz_, settings.codec == Codec::h264 || settings.codec == Codec::h265),
      settings_(std::move(settings)),
      pictures_(settings_.codec, settings_.parameter_sets) {
  settings_.parameter_sets.clear();
  settings_.parameter_sets.shrink_to_fit();
}

void Meter::interrupt() {
  if (packets_ == 0 || interrupted_) return;
  begin_stretch();
  sequence_.begin_anew();
  windows_.interrupt();
  past_ssrc_ = ssrc_;
  ssrc_.reset();
  candidate_held_ = false;
  interrupted_ = true;
}

// Another source has numbers, time stamps and a clock of its own; totals go on.
void Meter::begin_stretch() {
  frames_.end_stretch();
  sender_.begin_anew();
  if (stretch_packets_ > 1) past_jitter_ = jitter_.value();
  jitter_ = {};
  stretch_packets_ = 0;
}

// Two packets in a row before another source is believed: a stray packet changes nothing.
bool Meter::accept_source(const wire::RtpPacket& packet, const PacketFacts& facts) {
  if (!ssrc_) {
    ssrc_ = packet.ssrc;
    return true;
  }
  if (!candidate_held_ || candidate_.ssrc != packet.ssrc) {
    foreign_ += candidate_held_;
    candidate_ = {packet.ssrc, packet.sequence, facts};
    candidate_held_ = true;
    return false;
  }
  ssrc_ = packet.ssrc;
  ++source_changes_;
  begin_stretch();
  sequence_.begin_anew();
  candidate_held_ = false;
  // What it carried was not kept: it is taken for a piece of a picture.
  if (count(candidate_.sequence, candidate_.facts)) frames_.picture();
  return true;
}

void Meter::tell_tcp_segment(double octets) {
  auto actual = settings_.wrapping;
  actual.tcp_segment_octets = octets;
  constexpr std::size_t share = 1'000'000;
  wire_scale_ = static_cast<float>(wire_octets(share, actual) / wire_octets(share, settings_.wrapping));
}

void Meter::add(std::span<const std::uint8_t> octets, SystemTime when) { add({octets, octets.size(), 0, when}); }

void Meter::add(const Seen& seen) {
  PacketFacts facts;
  facts.at_ns = nanoseconds(seen.when);
  facts.wire_octets = seen.wire_octets > 0 ? seen.wire_octets : wire_octets(seen.whole_octets, settings_.wrapping);
  if (seen.octets.size() >= seen.whole_octets) {
    const auto packet = wire::decode_rtp(seen.octets);
    if (!packet) {
      ++malformed_;
      return;
    }
    facts.payload_octets = static_cast<std::uint32_t>(packet->payload.size());
    add(*packet, facts);
  } else if (const auto cut = wire::decode_cut_rtp(seen.octets, seen.whole_octets)) {
    facts.payload_octets = static_cast<std::uint32_t>(cut->payload_octets);
    is_cut_ = true;
    add(cut->packet, facts);
    is_cut_ = false;
  } else {
    ++malformed_;
  }
}

void Meter::add(const wire::RtpPacket& packet, PacketFacts& facts) {
  facts.rtp_time = packet.timestamp;
  facts.marker = packet.marker;
  if (ssrc_ != packet.ssrc) {
    if (!accept_source(packet, facts)) return;
  } else if (candidate_held_) {
    ++foreign_;
    candidate_held_ = false;
  }
  if (count(packet.sequence, facts)) look_into(packet);
}

void Meter::learn(MeterSettings settings) {
  pictures_ = PictureWatch(settings.codec, settings.parameter_sets);
  settings.parameter_sets.clear();
  settings.wrapping = settings_.wrapping;
  settings_ = std::move(settings);
  codec_ = settings_.codec;
  const auto clock_hz = settings_.clock_hz == 0 ? 90000 : settings_.clock_hz;
  if (clock_hz != clock_hz_) {
    clock_hz_ = clock_hz;
    ticks_per_ns_ = clock_hz_ / 1e9;
    jitter_ = {};
    past_jitter_ = 0;
    sender_.begin_anew();
    stretch_packets_ = 0;
  }
  frames_.learn(clock_hz_, codec_ == Codec::h264 || codec_ == Codec::h265);
}

Meter Meter::begun_anew() const {
  auto settings = settings_;
  if (!pictures_.newest_set().empty()) settings.parameter_sets = {pictures_.newest_set()};
  Meter out(std::move(settings));
  out.ssrc_ = ssrc_;
  out.sequence_ = sequence_;
  out.sequence_.carry_on();
  return out;
}

std::optional<double> Meter::measured_clock_hz() const {
  const auto clock = frames_.clock();
  if (!clock) return std::nullopt;
  return clock_hz_ * (1 + clock->ppm / 1e6);
}

void Meter::prefetch(std::uint16_t sequence) const {
  const auto* at = reinterpret_cast<const char*>(this);
  __builtin_prefetch(at, 1);
  __builtin_prefetch(at + 64, 1);
  sequence_.prefetch(sequence);
  frames_.prefetch();
  windows_.prefetch();
}

void Meter::prefetch_more(std::uint32_t rtp_time, std::int64_t at_ns) const {
  if (frames_.would_begin(rtp_time)) frames_.prefetch_more();
  if (windows_.would_close(at_ns)) windows_.prefetch_more();
}

// False when nothing is to be looked for in the payload: refused, a duplicate, or of a frame that has passed.
bool Meter::count(std::uint16_t sequence, PacketFacts& facts) {
  const auto came = sequence_.add(sequence, frames_.is_past(facts.rtp_time));
  if (came == SequenceLog::Came::refused) {
    jump_ = facts;
    return false;
  }
  if (came == SequenceLog::Came::restarted) take_jump(facts);
  const auto silence_ns = facts.at_ns - last_ns_;
  record(facts);
  if (came == SequenceLog::Came::duplicate) return false;
  facts.in_order = came != SequenceLog::Came::late;
  facts.missing = came == SequenceLog::Came::in_order ? sequence_.last_gap() : 0;
  if (excused_next_ && facts.in_order) {
    excused_next_ = false;
    sequence_.excuse(facts.missing);
  } else {
    note_hole(facts.missing, silence_ns);
  }
  windows_.add(facts.at_ns, facts.payload_octets);
  return frames_.add(facts);
}

void Meter::note_hole(std::int64_t missing, std::int64_t silence_ns) {
  if (missing == 0 || missing <= largest_hole_packets_) return;
  largest_hole_packets_ = missing;
  largest_hole_ns_ = silence_ns;
}

// Numbers jumped, and a second packet has confirmed it: the path lost what lies between, or the source has started
// again.
void Meter::take_jump(const PacketFacts& facts) {
  PacketFacts first = jump_;
  if (frames_.goes_on(facts.rtp_time, facts.at_ns)) {
    sequence_.count_jump_as_lost();
    first.missing = sequence_.last_gap();
    if (excused_next_) sequence_.excuse(first.missing);
    else note_hole(first.missing, first.at_ns - last_ns_);
  } else {
    begin_stretch();
  }
  excused_next_ = false;
  record(first);
  windows_.add(first.at_ns, first.payload_octets);
  if (frames_.add(first)) frames_.picture();
}

// What holds for every packet, duplicates too.
void Meter::record(const PacketFacts& facts) {
  if (packets_++ == 0) first_ns_ = last_ns_ = facts.at_ns;
  if (interrupted_) {
    interrupted_ = false;
    if (gaps_.size() < most_gaps)
      gaps_.push_back({static_cast<double>(last_ns_ - first_ns_) / 1e9,
                       static_cast<double>(std::max<std::int64_t>(0, facts.at_ns - last_ns_)) / 1e9});
    else
      ++gaps_not_listed_;
  }
  ++stretch_packets_;
  last_ns_ = std::max(last_ns_, facts.at_ns);
  jitter_.add(facts.rtp_time, static_cast<double>(facts.at_ns - first_ns_) * ticks_per_ns_);
}

void Meter::look_into(const wire::RtpPacket& packet) {
  bool good = true;
  switch (codec_) {
    case Codec::h264: good = look_into_h264(packet.payload); break;
    case Codec::h265: good = look_into_h265(packet.payload); break;
    case Codec::jpeg: good = look_into_jpeg(packet); break;
    case Codec::aac:
    case Codec::metadata: good = look_into_audio(packet); break;
    case Codec::g711:
    case Codec::g726:
    case Codec::unknown:
    case Codec::other: break;
  }
  if (!good && !is_cut_) ++bad_payloads_;
}

bool Meter::look_into_h264(wire::Octets payload) {
  const bool good = wire::split_h264_payload(payload, [&](unsigned type, wire::Octets octets, bool begins) {
    if (type == static_cast<unsigned>(wire::H264Nal::idr)) return frames_.key();
    if (type < static_cast<unsigned>(wire::H264Nal::idr)) frames_.picture();
    if (!begins) return;
    const bool whole = (payload[0] & 0x1f) != 28;
    if (type == static_cast<unsigned>(wire::H264Nal::sps) && whole) pictures_.take_parameter_set(octets);
    if (!frames_.has_keys()) pictures_.take_without_key(type, octets, whole);
  });
  if (good || payload.empty()) return good;
  const auto kind = wire::kind_of_h264_payload(payload[0] & 0x1f);
  interleaved_payloads_ += kind == wire::H264PayloadKind::interleaved;
  reserved_payloads_ += kind == wire::H264PayloadKind::reserved;
  return kind == wire::H264PayloadKind::interleaved || kind == wire::H264PayloadKind::reserved;
}

bool Meter::look_into_h265(wire::Octets payload) {
  const auto take = [&](unsigned type, wire::Octets octets, bool begins) {
    if (wire::is_h265_key(type)) return frames_.key();
    if (wire::is_h265_slice(type)) return frames_.picture();
    // A fragment has no header of its own; a single unit with DONL is not in one piece.
    const unsigned packet_type = (payload[0] >> 1) & 0x3fu;
    const bool whole = packet_type == 48 || (packet_type < 48 && !settings_.don_fields);
    if (begins && type == wire::h265_sps_type && whole) pictures_.take_parameter_set(octets);
  };
  if (wire::split_h265_payload(payload, take, settings_.don_fields)) return true;
  if (payload.size() < 2) return false;
  const unsigned type = (payload[0] >> 1) & 0x3fu;
  paci_payloads_ += type == wire::h265_paci_type;
  reserved_payloads_ += type > wire::h265_paci_type;
  return type >= wire::h265_paci_type;
}

bool Meter::look_into_jpeg(const wire::RtpPacket& packet) {
  const auto header = wire::decode_jpeg_header(packet.payload);
  if (!header) return false;
  frames_.key();  // each picture stands for itself
  if (header->fragment_offset == 0) pictures_.take_jpeg(header->width, header->height, packet);
  return true;
}

bool Meter::look_into_audio(const wire::RtpPacket& packet) {
  if (codec_ == Codec::metadata) {  // ONVIF Streaming: the marker tells that the document has ended
    frames_.units(packet.marker);
    return true;
  }
  const auto units = wire::decode_access_units(packet.payload, settings_.au_headers);
  if (!units) return false;
  // Each fragment repeats the header; the marker is on the last (RFC 3640 §3.1).
  if (!units->fragment || packet.marker) frames_.units(units->count);
  return true;
}

void Meter::add_rtcp(std::span<const std::uint8_t> octets, SystemTime when) {
  const auto compound = wire::decode_rtcp(octets);
  if (!compound) {
    ++malformed_;
    return;
  }
  for (const auto& report : compound->sender_reports)
    if (!ssrc_ || report.ssrc == *ssrc_)
      sender_.add(report, when, sequence_.received(), sequence_.expected() + sequence_.excused(), clock_hz_);
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
  out.jitter = static_cast<std::uint32_t>(std::min(jitter_.value(), 4294967295.0));
  if (sender_.last_sr()) {
    out.last_sr = *sender_.last_sr();
    const double delay_s = std::chrono::duration<double>(now - sender_.last_at()).count();
    out.delay_since_sr = static_cast<std::uint32_t>(std::clamp(delay_s, 0.0, 65535.0) * 65536);
  }
  return out;
}

}  // namespace tallywire::stream
