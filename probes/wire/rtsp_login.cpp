#include "probes/wire/rtsp_login.hpp"

namespace tallywire::wire {
namespace {

// A server that calls every nonce stale must not hold us in a circle.
constexpr int most_stale_answers = 3;

}  // namespace

std::string RtspLogin::line(const std::string& method, const std::string& url) {
  if (!challenge_ || !login_) return {};
  const DigestInput input{method, url, cnonce_, ++nonce_count_};
  return "Authorization: " + authorization(*challenge_, *login_, input) + "\r\n";
}

RtspLogin::Answer RtspLogin::challenged(const RtspMessage& answer, bool with_login, bool allow_basic) {
  if (!login_) return Answer::none_given;
  std::vector<Challenge> challenges;
  for (const auto& [name, value] : answer.headers)
    if (name == "www-authenticate")
      for (auto& c : decode_challenges(value)) challenges.push_back(std::move(c));
  auto chosen = choose_challenge(challenges, allow_basic);
  if (!chosen) return Answer::nothing_safe;
  if (with_login && challenge_) {
    const bool digest = chosen->scheme == Challenge::Scheme::digest;
    if (digest && chosen->stale) {
      if (++stale_answers_ > most_stale_answers) return Answer::refused;
    } else if (digest && accepted_ && chosen->nonce != challenge_->nonce) {
      ++sent_;
    } else {
      return Answer::refused;
    }
  } else {
    ++sent_;
  }
  challenge_ = std::move(chosen);
  nonce_count_ = 0;
  accepted_ = false;
  return Answer::again;
}

void RtspLogin::accepted() {
  accepted_ = true;
  stale_answers_ = 0;
}

void RtspLogin::forget() {
  challenge_.reset();
  nonce_count_ = 0;
  stale_answers_ = 0;
  accepted_ = false;
}

}  // namespace tallywire::wire
