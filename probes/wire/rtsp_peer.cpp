#include "probes/wire/rtsp_peer.hpp"

#include "probes/wire/rtsp_text.hpp"

#include <cstdint>

namespace tallywire::wire {
namespace {

const char* const methods = "OPTIONS, GET_PARAMETER, SET_PARAMETER, ANNOUNCE, REDIRECT, PLAY_NOTIFY, TEARDOWN";

std::string reply_line(int version, const char* status) {
  return "RTSP/" + std::to_string(version) + ".0 " + status + "\r\n";
}

const char* status_for(const RtspMessage& request) {
  const auto& method = request.method;
  if (method == "GET_PARAMETER" || method == "SET_PARAMETER")
    return trim(request.body).empty() ? "200 OK" : "451 Parameter Not Understood";
  for (const char* known : {"OPTIONS", "ANNOUNCE", "REDIRECT", "PLAY_NOTIFY", "TEARDOWN"})
    if (method == known) return "200 OK";
  return "501 Not Implemented";
}

// With the reason that the unit gives, if it gives one (RFC 7826 §18.52).
std::string with_reason(std::string sentence, const RtspMessage& request) {
  const auto reason = request.header("terminate-reason");
  return reason.empty() ? sentence : sentence + ": " + excerpt(reason, 80);
}

}  // namespace

PeerRequest answer_request(const RtspMessage& request, const std::string& session, int version) {
  PeerRequest out;
  std::uint32_t sequence = 0;
  if (!read_number(std::string_view(request.header("cseq")), sequence)) {
    out.reply = reply_line(version, "400 Bad Request") + "\r\n";
    return out;
  }
  const auto line_end = "CSeq: " + std::to_string(sequence) + "\r\n";
  const auto told = decode_session(request.header("session"));
  if (told && told->id != session) {
    out.reply = reply_line(version, "454 Session Not Found") + line_end + "\r\n";
    return out;
  }
  out.reply = reply_line(version, status_for(request)) + line_end;
  if (told) out.reply += "Session: " + session + "\r\n";
  if (request.method == "OPTIONS") out.reply += std::string("Public: ") + methods + "\r\n";
  out.reply += "\r\n";
  if (request.method == "TEARDOWN") {
    out.means = PeerRequest::Means::ended;
    out.why = with_reason("the unit ended the session", request);
  } else if (request.method == "REDIRECT") {
    out.location = request.header("location");
    // Without a Location the session ends here (RFC 7826 §13.10).
    out.means = out.location.empty() ? PeerRequest::Means::ended : PeerRequest::Means::moved;
    out.why = with_reason("the unit is about to end the session", request);
  } else if (request.method == "PLAY_NOTIFY" && same(request.header("notify-reason"), "end-of-stream")) {
    out.means = PeerRequest::Means::ended;  // RFC 7826 §13.5.1
    out.why = "the unit says that the stream has ended";
  }
  return out;
}

}  // namespace tallywire::wire
