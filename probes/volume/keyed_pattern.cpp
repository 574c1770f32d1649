#include "probes/volume/keyed_pattern.hpp"

#include <openssl/evp.h>
#include <openssl/rand.h>

#include <algorithm>
#include <cstring>
#include <stdexcept>

namespace tallywire::volume {
namespace {

constexpr std::size_t head_bytes = 16;
// Beside the number in the head, so that other octets pass for a head once in 2^64.
constexpr std::uint8_t own_mark[8] = {'o', 'w', 'n', ' ', 'b', 'l', 'k', '1'};

using Context = std::unique_ptr<EVP_CIPHER_CTX, decltype(&EVP_CIPHER_CTX_free)>;

Context context_of(const EVP_CIPHER* cipher, const PatternKey& key, bool encrypts) {
  Context out(EVP_CIPHER_CTX_new(), &EVP_CIPHER_CTX_free);
  const std::uint8_t zero[16] = {};
  if (!out || EVP_CipherInit_ex(out.get(), cipher, nullptr, key.data(), zero, encrypts ? 1 : 0) != 1)
    throw std::runtime_error("AES cannot be had from OpenSSL");
  EVP_CIPHER_CTX_set_padding(out.get(), 0);
  return out;
}

void update(const Context& context, std::uint8_t* out, const std::uint8_t* in, std::size_t octets) {
  int done = 0;
  if (EVP_CipherUpdate(context.get(), out, &done, in, static_cast<int>(octets)) != 1 || static_cast<std::size_t>(done) != octets)
    throw std::runtime_error("AES failed in OpenSSL");
}

}  // namespace

struct KeyedPattern::Ciphers {
  Context stream, head_out, head_in;
};

std::optional<PatternKey> make_pattern_key() {
  PatternKey out;
  if (RAND_bytes(out.data(), static_cast<int>(out.size())) != 1) return std::nullopt;
  return out;
}

const char* name_of(BlockFound found) {
  switch (found) {
    case BlockFound::right: return "right";
    case BlockFound::other: return "another block stands there";
    case BlockFound::zeros: return "zeros stand there";
    case BlockFound::ones: return "ones stand there, as in erased flash";
    case BlockFound::damaged: return "the block is damaged";
    case BlockFound::foreign: return "something else stands there";
  }
  return "";
}

KeyedPattern::KeyedPattern(const PatternKey& key)
    : ciphers_(new Ciphers{context_of(EVP_aes_256_ctr(), key, true), context_of(EVP_aes_256_ecb(), key, true), context_of(EVP_aes_256_ecb(), key, false)}) {}

KeyedPattern::~KeyedPattern() = default;

void KeyedPattern::fill(std::uint64_t number, std::uint8_t* block) {
  static const std::uint8_t zeros[block_bytes] = {};
  std::uint8_t head[head_bytes] = {}, start[16] = {};
  for (int i = 0; i < 8; ++i) head[i] = start[i] = static_cast<std::uint8_t>(number >> (56 - 8 * i));
  std::memcpy(head + 8, own_mark, sizeof own_mark);
  if (EVP_CipherInit_ex(ciphers_->stream.get(), nullptr, nullptr, nullptr, start, 1) != 1) throw std::runtime_error("AES failed in OpenSSL");
  update(ciphers_->stream, block, zeros, block_bytes);
  update(ciphers_->head_out, block, head, head_bytes);
}

std::optional<std::uint64_t> KeyedPattern::number_of(const std::uint8_t* block) {
  std::uint8_t head[head_bytes];
  update(ciphers_->head_in, head, block, head_bytes);
  if (std::memcmp(head + 8, own_mark, sizeof own_mark) != 0) return std::nullopt;
  std::uint64_t out = 0;
  for (int i = 0; i < 8; ++i) out = out << 8 | head[i];
  return out;
}

BlockLook KeyedPattern::look(std::uint64_t number, const std::uint8_t* block) {
  const auto is = [block](const std::uint8_t* other) { return std::memcmp(block, other, block_bytes) == 0; };
  fill(number, expected_.data());
  if (is(expected_.data())) return {BlockFound::right, number};
  const auto all = [block](std::uint8_t octet) { return std::all_of(block, block + block_bytes, [octet](std::uint8_t o) { return o == octet; }); };
  if (all(0)) return {BlockFound::zeros, 0};
  if (all(0xff)) return {BlockFound::ones, 0};
  const auto told = number_of(block);
  if (!told) return {BlockFound::foreign, 0};
  if (*told == number) return {BlockFound::damaged, number};
  fill(*told, expected_.data());
  return is(expected_.data()) ? BlockLook{BlockFound::other, *told} : BlockLook{BlockFound::foreign, 0};
}

}  // namespace tallywire::volume
