// RTSP messages and interleaved frames on one TCP stream (RFC 2326 §4 to §7, §10.12).
#pragma once

#include "probes/wire/octets.hpp"

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace tallywire::wire {

struct RtspMessage {
  int status = 0;          // 0: a request of the server
  std::string reason;
  std::string method;      // of a request
  std::string target;      // of a request: its URL
  std::vector<std::pair<std::string, std::string>> headers;  // names in lower case
  std::string body;

  // First value of a header; empty when it is not there.
  std::string header(std::string_view lower_name) const;
};

struct RtspLimits {
  std::size_t head_octets = 64 * 1024;
  std::size_t headers = 100;
  std::size_t body_octets = 1024 * 1024;
};

struct ParsedRtsp {
  enum class What { need_more, frame, message, malformed } what = What::need_more;
  std::size_t consumed = 0;   // octets of the input that this item took
  std::uint8_t channel = 0;   // frame
  Octets packet;              // frame: a view into the input
  RtspMessage message;
  std::string fault;          // malformed: what is wrong
};

// Looks at the front of what was received. Nothing is kept between calls: on need_more, call again with
// the same octets and more. Text between items is not skipped: it is malformed.
ParsedRtsp parse_rtsp(Octets received, const RtspLimits& limits = {});

// The lower transport that a SETUP answer grants (§12.39).
struct TransportGrant {
  bool tcp = false;
  bool multicast = false;
  int rtp_channel = -1;   // interleaved
  int rtcp_channel = -1;
  int client_rtp = 0, client_rtcp = 0;
  int server_rtp = 0, server_rtcp = 0;
  int port_rtp = 0, port_rtcp = 0;  // multicast
  int ttl = 0;
  std::string source;
  std::string destination;
  std::optional<std::uint32_t> ssrc;
};

// Every offer of a Transport header, in order; None when a number is out of its range.
std::optional<std::vector<TransportGrant>> decode_transport(std::string_view header);

struct SessionHeader {
  std::string id;
  int timeout_s = 60;  // §12.37
};
std::optional<SessionHeader> decode_session(std::string_view header);

// What a status code means, for a person; empty when it is not known.
std::string rtsp_status_text(int status);

}  // namespace tallywire::wire
