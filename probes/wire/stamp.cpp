#include "probes/wire/stamp.hpp"

#include "probes/wire/far_end_handshake.hpp"

#include <openssl/crypto.h>

#include <algorithm>
#include <cmath>

namespace tallywire::wire {

namespace {

constexpr std::int64_t ntp_before_unix_s = 2'208'988'800;  // RFC 5905 Fig. 4
constexpr std::int64_t ns_of_second = 1'000'000'000;
constexpr std::int64_t era_s = std::int64_t{1} << 32;
constexpr std::size_t hmac_covers = 96, hmac_octets = 16;  // RFC 8762 §4.4
constexpr std::size_t padding_head_octets = 4;
constexpr std::uint8_t padding_unrecognised = 0x80, padding_type = 1;  // RFC 8972 §4, §4.1: U is set by the sender

void put_u64(std::vector<std::uint8_t>& out, std::uint64_t value) {
  put_u32(out, static_cast<std::uint32_t>(value >> 32));
  put_u32(out, static_cast<std::uint32_t>(value));
}

void put_zeros(std::vector<std::uint8_t>& out, std::size_t until) { out.resize(until, 0); }

void put_hmac(std::vector<std::uint8_t>& out, const std::string& key) {
  const auto sum = hmac_sha256(key, Octets(out).first(hmac_covers));
  out.insert(out.end(), sum.begin(), sum.begin() + hmac_octets);
}

bool hmac_is_right(Octets packet, const std::string& key) {
  const auto sum = hmac_sha256(key, packet.first(hmac_covers));
  return CRYPTO_memcmp(sum.data(), packet.data() + hmac_covers, hmac_octets) == 0;
}

bool is_time(std::uint64_t time, StampTimeFormat format) {
  return format == StampTimeFormat::ntp || static_cast<std::uint32_t>(time) < ns_of_second;
}

std::int64_t floor_div(std::int64_t a, std::int64_t b) { return a / b - (a % b < 0 ? 1 : 0); }

}  // namespace

double StampErrorEstimate::seconds() const { return std::ldexp(multiplier, scale - 32); }

StampErrorEstimate decode_error_estimate(std::uint16_t octets) {
  return {(octets & 0x8000) != 0, (octets & 0x4000) != 0 ? StampTimeFormat::ptp : StampTimeFormat::ntp,
          static_cast<std::uint8_t>(octets >> 8 & 0x3f), static_cast<std::uint8_t>(octets)};
}

std::uint16_t encode_error_estimate(const StampErrorEstimate& e) {
  return static_cast<std::uint16_t>((e.synchronised ? 0x8000 : 0) | (e.format == StampTimeFormat::ptp ? 0x4000 : 0) |
                                    (e.scale & 0x3f) << 8 | e.multiplier);
}

StampErrorEstimate error_estimate_of(double seconds, bool synchronised) {
  StampErrorEstimate out{synchronised, StampTimeFormat::ntp, 63, 255};
  for (std::uint8_t scale = 0; scale < 64; ++scale) {
    const double multiplier = std::ceil(std::ldexp(seconds, 32 - scale));
    if (!(multiplier <= 255)) continue;
    out.scale = scale;
    out.multiplier = static_cast<std::uint8_t>(std::max(multiplier, 1.0));
    break;
  }
  return out;
}

std::uint64_t stamp_time_of(std::int64_t unix_ns, StampTimeFormat format) {
  const auto s = floor_div(unix_ns, ns_of_second);
  const auto ns = static_cast<std::uint64_t>(unix_ns - s * ns_of_second);
  if (format == StampTimeFormat::ptp) return static_cast<std::uint64_t>(static_cast<std::uint32_t>(s)) << 32 | ns;
  const auto fraction = ((ns << 32) + ns_of_second / 2) / ns_of_second;
  return static_cast<std::uint64_t>(static_cast<std::uint32_t>(s + ntp_before_unix_s)) << 32 | fraction;
}

std::int64_t unix_ns_of(std::uint64_t stamp_time, StampTimeFormat format, std::int64_t near_unix_ns) {
  const bool ntp = format == StampTimeFormat::ntp;
  const auto low = stamp_time & 0xffff'ffff;
  const auto ns = static_cast<std::int64_t>(ntp ? (low * ns_of_second + (std::uint64_t{1} << 31)) >> 32 : low);
  const auto before_unix = ntp ? ntp_before_unix_s : 0;
  const auto near = floor_div(near_unix_ns, ns_of_second) + before_unix;
  auto s = floor_div(near, era_s) * era_s + static_cast<std::int64_t>(stamp_time >> 32);
  if (s - near > era_s / 2) s -= era_s;
  if (near - s > era_s / 2) s += era_s;
  return (s - before_unix) * ns_of_second + ns;
}

StampRead decode_stamp_request(Octets packet, StampMode mode, const std::string& key, StampRequest& out) {
  const bool authenticated = mode == StampMode::authenticated;
  const auto least = authenticated ? stamp_authenticated_octets : least_stamp_request_octets;
  if (packet.size() < least || packet.size() > largest_stamp_octets) return StampRead::wrong_length;
  if (authenticated && !hmac_is_right(packet, key)) return StampRead::wrong_hmac;
  OctetReader in(packet);
  out.sequence_number = in.u32();
  if (authenticated) in.skip(12);
  out.timestamp = in.u64();
  out.error_estimate = decode_error_estimate(in.u16());
  out.session_id = in.left() >= 2 ? in.u16() : 0;
  if (out.error_estimate.multiplier == 0 || !is_time(out.timestamp, out.error_estimate.format)) return StampRead::no_error_estimate;
  return StampRead::read;
}

StampRead decode_stamp_answer(Octets packet, StampMode mode, const std::string& key, StampAnswer& out) {
  const bool authenticated = mode == StampMode::authenticated;
  if (packet.size() < least_octets(mode) || packet.size() > largest_stamp_octets) return StampRead::wrong_length;
  if (authenticated && !hmac_is_right(packet, key)) return StampRead::wrong_hmac;
  OctetReader in(packet);
  out.sequence_number = in.u32();
  if (authenticated) in.skip(12);
  out.timestamp = in.u64();
  out.error_estimate = decode_error_estimate(in.u16());
  out.session_id = in.u16();
  if (authenticated) in.skip(4);
  out.receive_timestamp = in.u64();
  if (authenticated) in.skip(8);
  out.sender_sequence_number = in.u32();
  if (authenticated) in.skip(12);
  out.sender_timestamp = in.u64();
  out.sender_error_estimate = in.u16();
  in.skip(authenticated ? 6 : 2);
  out.sender_ttl = in.u8();
  const auto format = out.error_estimate.format;
  if (out.error_estimate.multiplier == 0 || !is_time(out.timestamp, format) || !is_time(out.receive_timestamp, format))
    return StampRead::no_error_estimate;
  return StampRead::read;
}

std::vector<std::uint8_t> encode_stamp_request(const StampRequest& request, StampMode mode, const std::string& key, std::size_t octets) {
  const bool authenticated = mode == StampMode::authenticated;
  const auto least = least_octets(mode);
  std::vector<std::uint8_t> out;
  out.reserve(std::max(least, octets) + padding_head_octets);
  put_u32(out, request.sequence_number);
  if (authenticated) put_zeros(out, 16);
  put_u64(out, request.timestamp);
  put_u16(out, encode_error_estimate(request.error_estimate));
  put_u16(out, request.session_id);
  put_zeros(out, authenticated ? hmac_covers : least);
  if (authenticated) put_hmac(out, key);
  if (octets <= least) return out;
  const auto padding = std::clamp(octets, least + padding_head_octets, largest_stamp_octets) - least - padding_head_octets;
  out.push_back(padding_unrecognised);
  out.push_back(padding_type);
  put_u16(out, static_cast<std::uint16_t>(padding));
  put_zeros(out, out.size() + padding);
  return out;
}

std::vector<std::uint8_t> encode_stamp_answer(const StampAnswer& answer, StampMode mode, const std::string& key, Octets request) {
  const bool authenticated = mode == StampMode::authenticated;
  const auto least = least_octets(mode);
  std::vector<std::uint8_t> out;
  out.reserve(std::max(least, request.size()));
  put_u32(out, answer.sequence_number);
  if (authenticated) put_zeros(out, 16);
  put_u64(out, answer.timestamp);
  put_u16(out, encode_error_estimate(answer.error_estimate));
  put_u16(out, answer.session_id);
  if (authenticated) put_zeros(out, 32);
  put_u64(out, answer.receive_timestamp);
  if (authenticated) put_zeros(out, 48);
  put_u32(out, answer.sender_sequence_number);
  if (authenticated) put_zeros(out, 64);
  put_u64(out, answer.sender_timestamp);
  put_u16(out, answer.sender_error_estimate);
  put_zeros(out, authenticated ? 80 : 40);
  out.push_back(answer.sender_ttl);
  put_zeros(out, authenticated ? hmac_covers : least);
  if (authenticated) put_hmac(out, key);
  if (request.size() > least) {
    const auto rest = request.first(std::min(request.size(), largest_stamp_octets)).subspan(least);
    out.insert(out.end(), rest.begin(), rest.end());
  }
  return out;
}

}  // namespace tallywire::wire
