#include "probes/wire/digest.hpp"

#include "probes/wire/base64.hpp"

#include <openssl/evp.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <cstdio>
#include <map>

namespace tallywire::wire {
namespace {

std::string lower(std::string_view text) {
  std::string out(text);
  std::transform(out.begin(), out.end(), out.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return out;
}

const EVP_MD* function_of(DigestAlgorithm algorithm) {
  switch (algorithm) {
    case DigestAlgorithm::md5: return EVP_md5();
    case DigestAlgorithm::sha256: return EVP_sha256();
    case DigestAlgorithm::sha512_256: return EVP_sha512_256();
  }
  return EVP_md5();
}

std::string hash(DigestAlgorithm algorithm, const std::string& text) {
  std::array<std::uint8_t, EVP_MAX_MD_SIZE> out{};
  unsigned length = 0;
  EVP_Digest(text.data(), text.size(), out.data(), &length, function_of(algorithm), nullptr);
  return to_hex(Octets(out.data(), length));
}

const char* name_of(DigestAlgorithm algorithm) {
  switch (algorithm) {
    case DigestAlgorithm::md5: return "MD5";
    case DigestAlgorithm::sha256: return "SHA-256";
    case DigestAlgorithm::sha512_256: return "SHA-512-256";
  }
  return "MD5";
}

std::string quoted(const std::string& text) {
  std::string out = "\"";
  for (const char c : text) {
    if (c == '"' || c == '\\') out += '\\';
    out += c;
  }
  return out + '"';
}

bool is_blank(char c) { return c == ' ' || c == '\t'; }

// Walks "Scheme key=value, key=\"value\", Scheme …": RFC 7235 §2.1 as servers write it.
class Walker {
 public:
  explicit Walker(std::string_view text) : text_(text) {}
  bool done() {
    while (at_ < text_.size() && (is_blank(text_[at_]) || text_[at_] == ',')) ++at_;
    return at_ >= text_.size();
  }
  std::string token() {
    const auto begin = at_;
    while (at_ < text_.size() && std::string_view(" \t,=\"").find(text_[at_]) == std::string_view::npos) ++at_;
    if (at_ == begin && at_ < text_.size()) ++at_;  // a stray separator must not stop the walk
    return std::string(text_.substr(begin, at_ - begin));
  }
  bool equals_sign() {
    auto ahead = at_;
    while (ahead < text_.size() && is_blank(text_[ahead])) ++ahead;
    if (ahead >= text_.size() || text_[ahead] != '=') return false;
    at_ = ahead + 1;
    while (at_ < text_.size() && is_blank(text_[at_])) ++at_;
    return true;
  }
  std::string value() {
    if (at_ >= text_.size() || text_[at_] != '"') {
      const auto begin = at_;
      while (at_ < text_.size() && text_[at_] != ',' && !is_blank(text_[at_])) ++at_;
      return std::string(text_.substr(begin, at_ - begin));
    }
    std::string out;
    for (++at_; at_ < text_.size() && text_[at_] != '"'; ++at_) {
      if (text_[at_] == '\\' && at_ + 1 < text_.size()) ++at_;
      out += text_[at_];
    }
    if (at_ < text_.size()) ++at_;
    return out;
  }

 private:
  std::string_view text_;
  std::size_t at_ = 0;
};

std::optional<Challenge> challenge_of(const std::string& scheme, std::map<std::string, std::string>& fields) {
  Challenge out;
  out.realm = fields["realm"];
  if (lower(scheme) == "basic") {
    out.scheme = Challenge::Scheme::basic;
    return out;
  }
  if (lower(scheme) != "digest") return std::nullopt;
  out.nonce = fields["nonce"];
  out.opaque = fields["opaque"];
  out.stale = lower(fields["stale"]) == "true";
  out.user_hash = lower(fields["userhash"]) == "true";
  const auto algorithm = lower(fields["algorithm"]);
  if (algorithm == "sha-256")
    out.algorithm = DigestAlgorithm::sha256;
  else if (algorithm == "sha-512-256")
    out.algorithm = DigestAlgorithm::sha512_256;
  else if (!algorithm.empty() && algorithm != "md5")
    return std::nullopt;
  const auto qop = lower(fields["qop"]);
  Walker offers(qop);
  while (!offers.done()) out.qop_auth = offers.token() == "auth" || out.qop_auth;
  if (!qop.empty() && !out.qop_auth) return std::nullopt;
  return out;
}

}  // namespace

std::vector<Challenge> decode_challenges(std::string_view header) {
  std::vector<Challenge> out;
  std::string scheme;
  std::map<std::string, std::string> fields;
  const auto finish = [&] {
    if (!scheme.empty())
      if (auto challenge = challenge_of(scheme, fields)) out.push_back(std::move(*challenge));
    fields.clear();
  };
  Walker walk(header);
  while (!walk.done()) {
    const auto word = walk.token();
    if (walk.equals_sign()) {
      fields[lower(word)] = walk.value();
    } else if (lower(word) == "auth" || lower(word) == "auth-int") {
      fields["qop"] += "," + word;  // qop=auth,auth-int without quotes, as some units write it (common practice)
    } else {
      finish();
      scheme = word;
    }
  }
  finish();
  return out;
}

std::optional<Challenge> choose_challenge(const std::vector<Challenge>& challenges, bool allow_basic) {
  const auto rank = [allow_basic](const Challenge& c) {
    if (c.scheme == Challenge::Scheme::basic) return allow_basic ? 1 : 0;
    return c.algorithm == DigestAlgorithm::md5 ? 2 : 3;
  };
  const Challenge* best = nullptr;
  for (const auto& c : challenges)
    if (rank(c) > 0 && (!best || rank(c) > rank(*best))) best = &c;
  if (!best) return std::nullopt;
  return *best;
}

std::string hashed_user(const Challenge& challenge, const Credentials& login) {
  return hash(challenge.algorithm, login.user + ":" + challenge.realm);
}

std::string digest_response(const Challenge& c, const Credentials& login, const DigestInput& input) {
  const auto a1 = hash(c.algorithm, login.user + ":" + c.realm + ":" + login.password);
  const auto a2 = hash(c.algorithm, input.method + ":" + input.uri);
  if (!c.qop_auth) return hash(c.algorithm, a1 + ":" + c.nonce + ":" + a2);
  char count[16];
  std::snprintf(count, sizeof count, "%08x", input.count);
  return hash(c.algorithm, a1 + ":" + c.nonce + ":" + count + ":" + input.cnonce + ":auth:" + a2);
}

std::string authorization(const Challenge& c, const Credentials& login, const DigestInput& input) {
  if (c.scheme == Challenge::Scheme::basic) return "Basic " + encode_base64(login.user + ":" + login.password);
  std::string out = "Digest username=" + quoted(c.user_hash ? hashed_user(c, login) : login.user) +
                    ", realm=" + quoted(c.realm) + ", nonce=" + quoted(c.nonce) + ", uri=" + quoted(input.uri) +
                    ", response=\"" + digest_response(c, login, input) + "\"";
  // Units that know MD5 only may stumble over an algorithm they did not name.
  if (c.algorithm != DigestAlgorithm::md5) out += std::string(", algorithm=") + name_of(c.algorithm);
  if (!c.opaque.empty()) out += ", opaque=" + quoted(c.opaque);
  if (c.user_hash) out += ", userhash=true";
  if (c.qop_auth) {
    char count[16];
    std::snprintf(count, sizeof count, "%08x", input.count);
    out += std::string(", qop=auth, nc=") + count + ", cnonce=" + quoted(input.cnonce);
  }
  return out;
}

}  // namespace tallywire::wire
