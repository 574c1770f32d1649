// One RTSP conversation without I/O: OPTIONS, DESCRIBE, SETUP, PLAY, then keep-alives and TEARDOWN
// (RFC 2326). It is resumed with what came and answers what to do next; the driver owns socket and clock.
#pragma once

#include "probes/fault.hpp"
#include "probes/wire/digest.hpp"
#include "probes/wire/rtsp_message.hpp"
#include "probes/wire/sdp.hpp"

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::wire {

enum class LowerTransport { tcp, udp, multicast };

struct ExchangeSettings {
  std::string url;                      // without user and password
  std::string where;                    // address and port, for faults
  std::optional<Credentials> login;
  bool allow_basic = false;             // Basic sends the password as good as open
  LowerTransport transport = LowerTransport::tcp;
  int client_rtp = 0, client_rtcp = 0;  // UDP: our ports
  std::string cnonce;                   // random, given by the driver
};

// What the conversation settled, complete once PLAY was answered.
struct ExchangeResult {
  SdpMedia media;
  SdpFormat format;
  TransportGrant transport;
  int timeout_s = 60;
  bool keep_alive_by_parameter = false;  // GET_PARAMETER is offered
};

struct ExchangeAction {
  enum class Kind { send, playing, failed, closed } kind = Kind::send;
  std::string octets;  // send: then resume with the answer
  Fault fault;         // failed
};

class RtspExchange {
 public:
  explicit RtspExchange(ExchangeSettings settings) : settings_(std::move(settings)) {}

  ExchangeAction begin();
  // An answer of the server. One that does not belong to the request under way is passed over by an
  // action `send` with no octets: read on.
  ExchangeAction resume(const RtspMessage& answer);
  // A request that keeps the session alive; its answer need not be awaited in turn.
  std::string keep_alive();
  // Ends the session; empty when none was set up.
  std::string teardown();

  const ExchangeResult& result() const { return result_; }
  // How often a login was sent: at most once for a refused one.
  int logins_sent() const { return logins_sent_; }

 private:
  enum class Step { options, describe, setup, play, playing };

  std::string request(const std::string& method, const std::string& url, const std::string& headers);
  ExchangeAction send_step();
  ExchangeAction fail(FaultKind kind, std::string what, std::string try_next);
  ExchangeAction refuse_or_retry(const RtspMessage& answer);
  ExchangeAction take_description(const RtspMessage& answer);
  ExchangeAction take_setup(const RtspMessage& answer);
  std::string transport_offer() const;

  ExchangeSettings settings_;
  Step step_ = Step::options;
  int sequence_ = 0;
  std::optional<Challenge> challenge_;
  std::uint32_t nonce_count_ = 0;
  int logins_sent_ = 0;
  int stale_answers_ = 0;
  std::string base_;
  std::string track_url_;
  std::string session_;
  ExchangeResult result_;
};

}  // namespace tallywire::wire
