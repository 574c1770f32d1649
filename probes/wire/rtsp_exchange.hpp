// One RTSP conversation without I/O: OPTIONS, DESCRIBE, a SETUP for each track, PLAY, then keep-alives and TEARDOWN
// (RFC 2326; RFC 7826 where the unit offers it). It is resumed with what came and answers what to do next; the driver
// owns socket and clock.
//
// PLAY and TEARDOWN go to the aggregate control URL of the description; where it names none, to the base URL, as most
// units take it (common practice). A unit that refuses that (459, or a 4xx where none was named) is asked track by
// track (RFC 2326 C.3). Units are spoken to in 1.0 first.
#pragma once

#include "probes/fault.hpp"
#include "probes/wire/rtsp_login.hpp"
#include "probes/wire/rtsp_message.hpp"
#include "probes/wire/rtsp_tracks.hpp"
#include "probes/wire/rtsp_transport.hpp"

#include <cstddef>
#include <optional>
#include <string>
#include <utility>
#include <vector>

namespace tallywire::wire {

enum class RtspVersion { automatic, v1, v2 };  // automatic: 1.0, and 2.0 when the unit answers that way (505, or a
                                               // 2.0 status line)

struct ExchangeSettings {
  std::string url;                      // without user and password; rtsp or rtsps
  std::string where;                    // address and port, for faults
  std::optional<Credentials> login;
  bool allow_basic = false;             // in the open; over TLS (an rtsps url) Basic is always allowed
  LowerTransport transport = LowerTransport::tcp;
  RtspVersion version = RtspVersion::automatic;
  bool every_track = true;              // false: the first video alone
  std::string cnonce;                   // random, given by the driver
};

struct ExchangeResult {
  std::vector<ExchangeTrack> tracks;     // complete once PLAY was answered; at most most_tracks
  std::vector<std::string> left_out;     // a sentence for each medium that was not set up: talk-back, refused by the unit, too many
  int timeout_s = 60;                    // RFC 2326 §12.37
  std::string keep_alive_method = "OPTIONS";  // or "GET_PARAMETER", "SET_PARAMETER", by what the unit announced
  int version = 1;                       // 1 or 2: what is spoken
  std::string server;                    // the Server header, printable
  bool login_asked = false;              // the unit answered 401 at least once
};

struct ExchangeAction {
  enum class Kind {
    send,        // write `octets` (may be empty: nothing to send, read on), then resume with the next message
    open_ports,  // UDP: open `ports` pairs of sockets, then give_ports()
    reconnect,   // a redirect within the same host: close, connect to `url`, then begin() again
    playing,
    failed,      // `octets` may hold a last answer to the unit: write it or not
  } kind = Kind::send;
  std::string octets;
  std::size_t ports = 0;
  std::string url;
  Fault fault;
};

class RtspExchange {
 public:
  explicit RtspExchange(ExchangeSettings settings);

  ExchangeAction begin();
  // A message of the server: the answer under way, one that belongs to nothing (passed over), or a request of the
  // server's own (answered). Also while playing: a challenge in the middle is met, `failed` says that the session is gone.
  ExchangeAction resume(const RtspMessage& message);
  // One pair for each that was asked for; when there are fewer, the last tracks are left out.
  ExchangeAction give_ports(std::vector<PortPair> ports);
  // A request that keeps the session alive; its answer goes to resume() like any other. Empty before PLAY was answered.
  std::string keep_alive();
  // Ends the session; empty when none was set up. May hold several requests, one for each track.
  std::string teardown();

  const ExchangeResult& result() const { return result_; }
  // How often a login was tried: at most once for a refused one.
  int logins_sent() const { return login_.sent(); }

 private:
  enum class Step { options, describe, ports, setup, play, playing, over };
  enum class Purpose { step, keep_alive, farewell };
  struct Pending {
    int sequence = 0;
    Purpose purpose = Purpose::step;
    bool with_login = false;
  };

  // rtsp_exchange.cpp: what we say
  std::string request(const std::string& method, const std::string& url, const std::string& headers, Purpose purpose);
  ExchangeAction send_step();
  std::string setup_request();
  std::string play_request();
  TransportOffer offer() const;
  ExchangeAction fail(FaultKind kind, std::string what, std::string try_next);
  ExchangeAction fail_by_status(const RtspMessage& answer);
  ExchangeAction redirect(const std::string& location);
  void start_over(const std::string& url);
  ExchangeAction next_setup();
  ExchangeAction next_play();
  void drop_track(const std::string& reason);

  // rtsp_answers.cpp: what the unit says
  std::optional<Pending> take_pending(const RtspMessage& answer);
  ExchangeAction serve(const RtspMessage& request);
  ExchangeAction take_challenge(const RtspMessage& answer, const Pending& pending);
  ExchangeAction take_keep_alive(const RtspMessage& answer);
  std::optional<ExchangeAction> take_version(const RtspMessage& answer);
  ExchangeAction take_refusal(const RtspMessage& answer);
  ExchangeAction take_play_refusal(const RtspMessage& answer);
  ExchangeAction take_step(const RtspMessage& answer);
  void take_methods(const RtspMessage& answer);
  ExchangeAction take_description(const RtspMessage& answer);
  ExchangeAction take_setup(const RtspMessage& answer);

  ExchangeSettings settings_;
  RtspLogin login_;
  Step step_ = Step::options;
  int sequence_ = 0;
  std::vector<Pending> pending_;
  std::string aggregate_;
  bool aggregate_told_ = false;
  bool track_by_track_ = false;  // PLAY and TEARDOWN
  bool with_range_ = true;       // PLAY of 1.0
  std::vector<std::string> keep_alive_methods_;  // those left to try after the one in the result
  std::string session_;
  std::vector<std::pair<std::string, std::string>> strays_;  // sessions that a unit opened beside ours: URL, id
  std::vector<PortPair> ports_;
  std::size_t track_ = 0;        // being set up, or being played
  int channel_ = 0;              // asked for next, interleaved
  int redirects_ = 0;
  ExchangeResult result_;
};

}  // namespace tallywire::wire
