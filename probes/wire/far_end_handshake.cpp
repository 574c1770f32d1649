#include "probes/wire/far_end_handshake.hpp"

#include "probes/reading.hpp"

#include <openssl/crypto.h>
#include <openssl/evp.h>
#include <openssl/hmac.h>

namespace tallywire::wire {
namespace {

using nlohmann::json;

std::string hex(Octets octets) {
  std::string out;
  for (const auto octet : octets) {
    out += "0123456789abcdef"[octet >> 4];
    out += "0123456789abcdef"[octet & 15];
  }
  return out;
}

std::optional<std::vector<std::uint8_t>> unhex(const json& value, std::size_t length) {
  if (!value.is_string()) return std::nullopt;
  const auto& text = value.get_ref<const std::string&>();
  if (text.size() != length * 2) return std::nullopt;
  std::vector<std::uint8_t> out(length);
  for (std::size_t i = 0; i < text.size(); ++i) {
    const auto digit = std::string_view("0123456789abcdef").find(text[i]);
    if (digit == std::string_view::npos) return std::nullopt;
    out[i / 2] = static_cast<std::uint8_t>(static_cast<std::size_t>(out[i / 2]) << 4 | digit);
  }
  return out;
}

// Each part with its length before it: no two lists of parts give the same octets.
std::vector<std::uint8_t> proof(const std::string& key, const char* role, Octets first, Octets second,
                                const std::string& request) {
  std::vector<std::uint8_t> text;
  const auto add = [&text](const void* data, std::size_t length) {
    put_u32(text, static_cast<std::uint32_t>(length));
    const auto* octets = static_cast<const std::uint8_t*>(data);
    text.insert(text.end(), octets, octets + length);
  };
  add(role, std::char_traits<char>::length(role));
  add(first.data(), first.size());
  add(second.data(), second.size());
  add(request.data(), request.size());
  return hmac_sha256(key, text);
}

bool same(Octets a, Octets b) { return a.size() == b.size() && CRYPTO_memcmp(a.data(), b.data(), a.size()) == 0; }

constexpr std::size_t proof_octets = 32;

// Whoever it is that speaks may send any type.
bool says(const json& frame, const char* word) {
  const auto at = frame.find("say");
  return at != frame.end() && at->is_string() && at->get_ref<const std::string&>() == word;
}

bool is_our_version(const json& frame) {
  const auto at = frame.find("version");
  return at != frame.end() && at->is_number_integer() && *at == far_end_version;
}

}  // namespace

std::vector<std::uint8_t> hmac_sha256(const std::string& key, Octets text) {
  std::vector<std::uint8_t> out(proof_octets);
  unsigned length = 0;
  HMAC(EVP_sha256(), key.data(), static_cast<int>(key.size()), text.data(), text.size(), out.data(), &length);
  return out;
}

std::string encode_far_end_frame(const json& body) {
  const auto text = json_line(body);
  std::vector<std::uint8_t> head;
  put_u32(head, static_cast<std::uint32_t>(text.size()));
  return std::string(head.begin(), head.end()) + text;
}

FarEndFrame parse_far_end_frame(Octets received) {
  FarEndFrame out;
  OctetReader in(received);
  const std::size_t length = in.u32();
  if (!in.ok()) return out;
  if (length > largest_far_end_frame) {
    out.what = FarEndFrame::What::malformed;
    return out;
  }
  const auto text = in.take(length);
  if (!in.ok()) return out;
  out.consumed = in.at();
  out.body = json::parse(text.begin(), text.end(), nullptr, false);
  out.what = out.body.is_object() ? FarEndFrame::What::frame : FarEndFrame::What::malformed;
  return out;
}

std::string FarEndAsker::hello() const {
  return encode_far_end_frame({{"say", "hello"}, {"version", far_end_version}, {"nonce", hex(nonce_)}});
}

Outcome<std::string> FarEndAsker::answer(const json& challenge, const std::string& where) const {
  if (!says(challenge, "challenge"))
    return Fault{FaultKind::malformed, "this is no far end that we know", where,
                 "check address and port; a tallywired with “far_end” in its settings must run there"};
  if (!is_our_version(challenge))
    return Fault{FaultKind::unsupported, "the far end speaks another version", where, "run the same version at both ends"};
  const auto theirs = unhex(challenge.value("nonce", json()), nonce_octets);
  const auto given = unhex(challenge.value("proof", json()), proof_octets);
  if (!theirs || !given || !same(*given, proof(key_, "far-end", nonce_, *theirs, "")))
    return Fault{FaultKind::refused, "the far end does not hold the same key", where,
                 "write the same key into the secrets of both ends"};
  const auto text = json_line(request_);
  return encode_far_end_frame(
      {{"say", "request"}, {"request", text}, {"proof", hex(proof(key_, "asker", nonce_, *theirs, text))}});
}

Outcome<json> FarEndAsker::read_verdict(const json& verdict, const std::string& where) {
  if (says(verdict, "accepted")) return Outcome<json>(boost::system::in_place_value, verdict);
  if (says(verdict, "refused")) {
    const auto reason = verdict.find("reason");
    const bool told = reason != verdict.end() && reason->is_string();
    return Fault{FaultKind::refused, "the far end refused: " + (told ? reason->get<std::string>() : "no reason"), where, ""};
  }
  return Fault{FaultKind::malformed, "the far end answered what we do not know", where, ""};
}

std::optional<std::string> FarEndKeeper::challenge(const json& hello) {
  const auto theirs = unhex(hello.value("nonce", json()), nonce_octets);
  if (!says(hello, "hello") || !is_our_version(hello) || !theirs) return std::nullopt;
  asker_nonce_ = *theirs;
  return encode_far_end_frame({{"say", "challenge"},
                               {"version", far_end_version},
                               {"nonce", hex(nonce_)},
                               {"proof", hex(proof(key_, "far-end", asker_nonce_, nonce_, ""))}});
}

std::optional<json> FarEndKeeper::admit(const json& request) const {
  const auto given = unhex(request.value("proof", json()), proof_octets);
  const auto at = request.find("request");
  if (!says(request, "request") || !given || at == request.end() || !at->is_string()) return std::nullopt;
  const auto& text = at->get_ref<const std::string&>();
  if (!same(*given, proof(key_, "asker", asker_nonce_, nonce_, text))) return std::nullopt;
  auto out = json::parse(text, nullptr, false);
  if (!out.is_object()) return std::nullopt;
  return out;
}

std::string far_end_accepted(json details) {
  details["say"] = "accepted";
  return encode_far_end_frame(details);
}

std::string far_end_refused(const std::string& reason) {
  return encode_far_end_frame({{"say", "refused"}, {"reason", reason}});
}

}  // namespace tallywire::wire
