#include "probes/volume/capacity_state.hpp"

#include <nlohmann/json.hpp>
#include <openssl/crypto.h>
#include <openssl/evp.h>
#include <openssl/hmac.h>

#include <cstring>
#include <stdexcept>

namespace tallywire::volume {
namespace {

using nlohmann::json;

constexpr std::size_t seal_bytes = 32, length_bytes = 4, head_bytes = seal_bytes + length_bytes;

std::array<std::uint8_t, seal_bytes> seal_of(std::span<const std::uint8_t> text, const PatternKey& key) {
  std::array<std::uint8_t, seal_bytes> out{};
  unsigned length = 0;
  if (HMAC(EVP_sha256(), key.data(), static_cast<int>(key.size()), text.data(), text.size(), out.data(), &length) == nullptr)
    throw std::runtime_error("SHA-256 failed in OpenSSL");
  return out;
}

json or_null(const std::optional<std::uint64_t>& value) { return value ? json(*value) : json(); }

std::optional<std::uint64_t> optional_number(const json& value) {
  return value.is_number_unsigned() ? std::optional(value.get<std::uint64_t>()) : std::nullopt;
}

}  // namespace

StatePlace encode_state(const CapacityState& s, const PatternKey& key) {
  json out = {{"sequence", s.sequence}, {"filled", s.filled}, {"filled_blocks", s.filled_blocks}, {"checked_blocks", s.checked_blocks},
              {"other_blocks", s.other_blocks}, {"lost_blocks", s.lost_blocks}, {"damaged_blocks", s.damaged_blocks},
              {"unreadable_blocks", s.unreadable_blocks}, {"wrap_bytes", s.wrap_bytes}, {"lowest_lost_bytes", or_null(s.lowest_lost_bytes)},
              {"fill_s", s.fill_s}, {"check_s", s.check_s}, {"first_bad", nullptr}};
  if (s.first_bad) out["first_bad"] = {{"block", s.first_bad->block}, {"what", s.first_bad->what}, {"found_block", or_null(s.first_bad->found_block)}};
  const auto text = out.dump();
  StatePlace place{};
  if (text.size() > place.size() - head_bytes) throw std::length_error("the state outgrew its place");
  for (std::size_t i = 0; i < length_bytes; ++i) place[seal_bytes + i] = static_cast<std::uint8_t>(text.size() >> (8 * i));
  std::memcpy(place.data() + head_bytes, text.data(), text.size());
  const auto seal = seal_of(std::span(place).subspan(seal_bytes), key);
  std::memcpy(place.data(), seal.data(), seal.size());
  return place;
}

std::optional<CapacityState> decode_state(std::span<const std::uint8_t> place, const PatternKey& key) {
  if (place.size() != StatePlace().size()) return std::nullopt;
  const auto seal = seal_of(place.subspan(seal_bytes), key);
  if (CRYPTO_memcmp(seal.data(), place.data(), seal.size()) != 0) return std::nullopt;
  std::size_t length = 0;
  for (std::size_t i = 0; i < length_bytes; ++i) length |= static_cast<std::size_t>(place[seal_bytes + i]) << (8 * i);
  if (length > place.size() - head_bytes) return std::nullopt;
  const auto text = place.subspan(head_bytes, length);
  const auto in = json::parse(text.begin(), text.end(), nullptr, false);
  if (!in.is_object()) return std::nullopt;
  try {
    CapacityState out;
    out.sequence = in.at("sequence");
    out.filled = in.at("filled");
    out.filled_blocks = in.at("filled_blocks");
    out.checked_blocks = in.at("checked_blocks");
    out.other_blocks = in.at("other_blocks");
    out.lost_blocks = in.at("lost_blocks");
    out.damaged_blocks = in.at("damaged_blocks");
    out.unreadable_blocks = in.at("unreadable_blocks");
    out.wrap_bytes = in.at("wrap_bytes");
    out.lowest_lost_bytes = optional_number(in.at("lowest_lost_bytes"));
    out.fill_s = in.at("fill_s");
    out.check_s = in.at("check_s");
    if (const auto& bad = in.at("first_bad"); bad.is_object())
      out.first_bad = FirstBad{bad.at("block"), bad.at("what"), optional_number(bad.at("found_block"))};
    return out;
  } catch (const json::exception&) {
    return std::nullopt;
  }
}

}  // namespace tallywire::volume
