#include "probes/wire/stamp_session.hpp"

#include <algorithm>

namespace tallywire::wire {

namespace {

constexpr std::int64_t ns_of_second = 1'000'000'000;
constexpr std::uint32_t reserved_at_once = 65'536;

}  // namespace

void StampIgnored::count(StampRead read) {
  if (read == StampRead::wrong_length) ++wrong_length_packets;
  if (read == StampRead::wrong_hmac) ++wrong_hmac_packets;
  if (read == StampRead::no_error_estimate) ++no_error_estimate_packets;
}

bool StampReflection::within_rate(std::int64_t now_ns) {
  if (second_begin_ns_ == std::numeric_limits<std::int64_t>::min() || now_ns < second_begin_ns_ || now_ns - second_begin_ns_ >= ns_of_second) {
    second_begin_ns_ = now_ns;
    in_second_ = 0;
  }
  if (in_second_ >= settings_.most_per_s) return false;
  ++in_second_;
  return true;
}

std::optional<std::vector<std::uint8_t>> StampReflection::answer(Octets packet, std::int64_t received_unix_ns, std::uint8_t ttl,
                                                                 std::int64_t sent_unix_ns, const StampErrorEstimate& estimate) {
  StampRequest request;
  if (const auto read = decode_stamp_request(packet, settings_.mode, settings_.key, request); read != StampRead::read) {
    ignored_.count(read);
    return std::nullopt;
  }
  const bool other_session = settings_.session_id != 0 && request.session_id != settings_.session_id;
  if (other_session || (settings_.most_packets > 0 && request.sequence_number >= settings_.most_packets)) {
    ++ignored_.stray_packets;
    return std::nullopt;
  }
  if (!within_rate(sent_unix_ns)) {
    ++ignored_.over_rate_packets;
    return std::nullopt;
  }
  if (!seen_.empty() && seen_[request.sequence_number]) {
    ++duplicates_;
  } else {
    ++received_;
    if (!seen_.empty()) seen_[request.sequence_number] = true;
  }
  StampAnswer out;
  out.sequence_number = settings_.stateful ? static_cast<std::uint32_t>(reflected_) : request.sequence_number;
  out.timestamp = stamp_time_of(sent_unix_ns, estimate.format);
  out.error_estimate = estimate;
  out.session_id = request.session_id;
  out.receive_timestamp = stamp_time_of(received_unix_ns, estimate.format);
  out.sender_sequence_number = request.sequence_number;
  out.sender_timestamp = request.timestamp;
  out.sender_error_estimate = encode_error_estimate(request.error_estimate);
  out.sender_ttl = ttl;
  ++reflected_;
  return encode_stamp_answer(out, settings_.mode, settings_.key, packet);
}

StampLog::StampLog(Settings settings) : settings_(std::move(settings)) {
  sent_.reserve(std::min(settings_.most_packets, reserved_at_once));
  arrivals_.reserve(std::min(settings_.most_packets, reserved_at_once));
}

std::optional<std::vector<std::uint8_t>> StampLog::next(std::int64_t now_unix_ns, std::int64_t now_ns, const StampErrorEstimate& estimate) {
  if (sent_.size() >= settings_.most_packets) return std::nullopt;
  StampRequest request;
  request.sequence_number = static_cast<std::uint32_t>(sent_.size());
  request.timestamp = stamp_time_of(now_unix_ns, estimate.format);
  request.error_estimate = estimate;
  request.session_id = settings_.session_id;
  sent_.push_back({request.timestamp, now_ns, -1, false});
  return encode_stamp_request(request, settings_.mode, settings_.key, settings_.packet_octets);
}

void StampLog::left(std::uint32_t sequence_number, std::int64_t lag_ns) {
  if (sequence_number >= sent_.size() || sent_[sequence_number].lag_ns >= 0 || lag_ns < 0) return;
  sent_[sequence_number].sent_ns += lag_ns;
  sent_[sequence_number].lag_ns = lag_ns;
}

StampLog::Took StampLog::take(Octets packet, std::int64_t received_unix_ns, std::int64_t received_ns, std::uint8_t ttl) {
  StampAnswer answer;
  if (const auto read = decode_stamp_answer(packet, settings_.mode, settings_.key, answer); read != StampRead::read) {
    ignored_.count(read);
    return Took::ignored;
  }
  const auto number = answer.sender_sequence_number;
  // A reflector without extensions gives 0 for the session (RFC 8972 §3). The time stamp that it gives back proves that it
  // had the request.
  const bool of_session = answer.session_id == settings_.session_id || answer.session_id == 0;
  if (!of_session || number >= sent_.size() || answer.sender_timestamp != sent_[number].timestamp ||
      arrivals_.size() >= most_arrivals_per_packet * sent_.size()) {
    ++ignored_.stray_packets;
    return Took::ignored;
  }
  const auto format = answer.error_estimate.format;
  StampArrival out;
  out.sequence_number = number;
  out.reflector_sequence_number = answer.sequence_number;
  out.reflector_received_unix_ns = unix_ns_of(answer.receive_timestamp, format, received_unix_ns);
  out.reflector_sent_unix_ns = unix_ns_of(answer.timestamp, format, received_unix_ns);
  out.received_ns = received_ns;
  out.reflector_estimate = answer.error_estimate;
  out.sender_ttl = answer.sender_ttl;
  out.ttl = ttl;
  out.first = !sent_[number].answered;
  arrivals_.push_back(out);
  if (!out.first) return Took::duplicate;
  sent_[number].answered = true;
  ++answered_;
  return Took::answer;
}

}  // namespace tallywire::wire
