// RTSP messages and interleaved frames on one TCP stream (RFC 2326 §4 to §7, §10.12; RFC 7826 §5 to §8, §14).
#pragma once

#include "probes/wire/octets.hpp"
#include "probes/wire/rtsp_transport.hpp"

#include <cstdint>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace tallywire::wire {

struct RtspMessage {
  int version = 1;         // the major number: 1 or 2
  int status = 0;          // 0: a request of the server
  std::string reason;
  std::string method;      // of a request
  std::string target;      // of a request: its URL
  std::vector<std::pair<std::string, std::string>> headers;  // names in lower case; values hold no control characters
  std::string body;

  // First value of a header; empty when it is not there.
  std::string header(std::string_view lower_name) const;
  // All values of a header that is a list, joined by commas (RFC 2326 §4.2 by way of RFC 2616 §4.2).
  std::string list(std::string_view lower_name) const;
};

struct RtspLimits {
  std::size_t head_octets = 64 * 1024;
  std::size_t headers = 100;
  std::size_t body_octets = 1024 * 1024;
};

struct ParsedRtsp {
  enum class What { need_more, frame, message, malformed } what = What::need_more;
  std::size_t consumed = 0;   // octets of the input that this item took; 0 unless it is a frame or a message
  std::uint8_t channel = 0;   // frame
  Octets packet;              // frame: a view into the input
  RtspMessage message;
  std::string fault;          // malformed: what is wrong
  std::size_t fault_at = 0;   // malformed: the offset in the input
};

// Looks at the front of what was received. Nothing is kept between calls: on need_more, call again with
// the same octets and more. Text between items is not skipped: it is malformed, and as soon as it shows.
// Line ends may be bare LF, headers may be folded (RFC 2326 §4.2), blanks after the colon may be missing.
ParsedRtsp parse_rtsp(Octets received, const RtspLimits& limits = {});

// What a status code means, for a person; empty when it is not known.
std::string rtsp_status_text(int status);
// "404: the unit has no such stream"; the unit's own words for a code that is not known.
std::string status_sentence(const RtspMessage& answer);

}  // namespace tallywire::wire
