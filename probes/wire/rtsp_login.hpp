// When a login is sent, renewed, and never sent again (RFC 7616 §3.3, RFC 7617).
// One for each conversation.
#pragma once

#include "probes/wire/digest.hpp"
#include "probes/wire/rtsp_message.hpp"

#include <cstdint>
#include <optional>
#include <string>

namespace tallywire::wire {

class RtspLogin {
 public:
  RtspLogin() = default;
  RtspLogin(std::optional<Credentials> login, std::string cnonce)
      : login_(std::move(login)), cnonce_(std::move(cnonce)) {}

  // The Authorization line for a request, with its line end; empty as long as no unit asked. Counts nc.
  std::string line(const std::string& method, const std::string& url);

  enum class Answer { again, none_given, nothing_safe, refused };
  // A 401 came. `with_login`: the request that it answers carried a login. `again`: send the request once more.
  //
  // A password that was refused is not sent again: not when the unit repeats its question, and not when it
  // asks with another nonce. Two things are no refusal: a nonce called stale (RFC 7616 §3.3), at most three
  // times in a row; and another nonce after requests with the old one were accepted, once until the next
  // is accepted (units that renew their nonce and forget to say stale: common practice).
  Answer challenged(const RtspMessage& answer, bool with_login, bool allow_basic);
  // A request with a login was answered by something else than 401.
  void accepted();
  // Another connection: nothing is sent before the unit asks.
  void forget();

  int sent() const { return sent_; }

 private:
  std::optional<Credentials> login_;
  std::string cnonce_;
  std::optional<Challenge> challenge_;
  std::uint32_t nonce_count_ = 0;
  int sent_ = 0;
  int stale_answers_ = 0;
  bool accepted_ = false;
};

}  // namespace tallywire::wire
