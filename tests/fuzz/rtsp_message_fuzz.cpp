// parse_rtsp: what is found in one piece is found in every chunk size (RFC 2326 §4 to §7, §10.12); a message there and
// back; the headers whose values carry numbers. The first octet chooses the limits.
#include "probes/wire/rtsp_input.hpp"
#include "probes/wire/rtsp_message.hpp"
#include "probes/wire/rtsp_transport.hpp"
#include "tests/fuzz/fuzz.hpp"

#include <vector>

using namespace tallywire;
using namespace tallywire::wire;
using fuzz::require;

namespace {

// An item as text, so that items of two runs can be compared; `end` tells how the run ended.
struct Items {
  std::vector<std::string> found;
  ParsedRtsp::What end = ParsedRtsp::What::need_more;
};

std::string encode(const RtspMessage& message) {
  const auto version = "RTSP/" + std::to_string(message.version) + ".0";
  std::string out = message.status != 0 ? version + " " + std::to_string(message.status) + " " + message.reason
                                        : message.method + " " + message.target + " " + version;
  for (const auto& [name, value] : message.headers) out += "\r\n" + name + ": " + value;
  return out + "\r\n\r\n" + message.body;
}

std::string as_text(const ParsedRtsp& item) {
  if (item.what == ParsedRtsp::What::frame)
    return "$" + std::to_string(item.channel) + std::string(fuzz::text_of(item.packet));
  return encode(item.message);
}

void check_header_values(const RtspMessage& message) {
  if (const auto session = decode_session(message.header("session"))) {
    require(!session->id.empty() && session->timeout_s > 0, "a session has a name and a time");
  }
  const auto grants = decode_transport(message.header("transport"));
  if (!grants) return;
  const auto port = [](int value) { return value >= 0 && value <= 65535; };
  const auto channel = [](int value) { return value >= -1 && value <= 255; };
  for (const auto& grant : *grants) {
    require(channel(grant.rtp_channel) && channel(grant.rtcp_channel), "a channel has eight bits");
    require(port(grant.client_rtp) && port(grant.client_rtcp) && port(grant.server_rtp) && port(grant.server_rtcp) &&
                port(grant.port_rtp) && port(grant.port_rtcp),
            "a port has 16 bits");
    require(grant.ttl >= 0 && grant.ttl <= 255, "a TTL has eight bits");
  }
}

void check_message(const RtspMessage& message, const RtspLimits& limits) {
  require(message.headers.size() <= limits.headers && message.body.size() <= limits.body_octets, "the limits hold");
  require(message.status == 0 ? !message.method.empty() : message.status >= 100 && message.status <= 999,
          "a request has a method, an answer a status");
  for (const auto& [name, value] : message.headers) {
    require(name.find('\n') == std::string::npos && value.find('\n') == std::string::npos, "a header is one line");
    for (const char c : name) require(c < 'A' || c > 'Z', "names are in lower case");
  }
  check_header_values(message);
  RtspLimits wide = limits;
  wide.head_octets = 2 * limits.head_octets + 1024;  // CRLF where the peer wrote LF
  const auto text = encode(message);
  const auto back = parse_rtsp({reinterpret_cast<const std::uint8_t*>(text.data()), text.size()}, wide);
  require(back.what == ParsedRtsp::What::message && back.consumed == text.size() && encode(back.message) == text,
          "a message comes back as it went");
}

std::string as_text(RtspInput::Came came, RtspInput& input) {
  ParsedRtsp item;
  item.what = came == RtspInput::Came::frame ? ParsedRtsp::What::frame : ParsedRtsp::What::message;
  item.channel = input.channel();
  item.packet = input.packet();
  if (came == RtspInput::Came::message) item.message = input.message();
  return as_text(item);
}

// As a session reads, with each chunk in a place of its own, so that a view into the one before would be seen.
Items run_input(Octets octets, std::size_t chunk, const RtspLimits& limits) {
  Items out;
  RtspInput input(limits);
  for (std::size_t at = 0; at < octets.size(); at += chunk) {
    const auto piece = octets.subspan(at, std::min(chunk, octets.size() - at));
    const std::vector<std::uint8_t> own(piece.begin(), piece.end());
    input.give(own);
    for (auto came = input.next(); came != RtspInput::Came::need_more; came = input.next()) {
      if (came == RtspInput::Came::malformed) {
        require(!input.fault().empty() && input.next() == RtspInput::Came::malformed, "malformed is for good");
        out.end = ParsedRtsp::What::malformed;
        return out;
      }
      out.found.push_back(as_text(came, input));
    }
    require(input.held() <= std::max<std::size_t>(limits.head_octets + limits.body_octets, 65539) + 1, "no more is kept than the limits allow");
  }
  return out;
}

// By parse_rtsp alone: octets come in chunks, whole items are taken off the front.
Items run(Octets input, std::size_t chunk, const RtspLimits& limits) {
  Items out;
  std::size_t begin = 0;
  for (std::size_t end = std::min(chunk, input.size());; end = std::min(end + chunk, input.size())) {
    for (;;) {
      const auto view = input.subspan(begin, end - begin);
      const auto item = parse_rtsp(view, limits);
      require(item.consumed <= view.size(), "no more is consumed than there was");
      out.end = item.what;
      if (item.what == ParsedRtsp::What::malformed) {
        require(!item.fault.empty(), "a fault says what is wrong");
        return out;
      }
      if (item.what == ParsedRtsp::What::need_more) {
        begin += item.consumed;
        break;
      }
      require(item.consumed > 0, "an item has octets");
      if (item.what == ParsedRtsp::What::frame)
        require(item.packet.size() <= 65535 && item.packet.size() + 4 <= item.consumed, "a frame lies in its octets");
      out.found.push_back(as_text(item));
      begin += item.consumed;
    }
    if (end == input.size()) return out;
  }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  fuzz::Cutter cutter(data, size);
  RtspLimits limits;
  if (cutter.octet() & 1) limits = {256, 8, 512};  // near enough to be met
  const auto input = cutter.rest();
  const auto whole = run(input, std::max<std::size_t>(input.size(), 1), limits);
  for (std::size_t begin = 0; begin < input.size();) {
    const auto item = parse_rtsp(input.subspan(begin), limits);
    if (item.what == ParsedRtsp::What::message) check_message(item.message, limits);
    if (item.what != ParsedRtsp::What::message && item.what != ParsedRtsp::What::frame) break;
    begin += item.consumed;
  }
  // Every chunk size of a short input; of a long one those that cut it at unlike places, for the sake of speed.
  const bool is_short = input.size() <= 64;
  for (std::size_t chunk = 1 + input.size() / 256; chunk < input.size(); chunk += is_short ? 1 : 1 + chunk / 2) {
    const auto pieces = run(input, chunk, limits);
    require(pieces.found == whole.found && pieces.end == whole.end, "every chunk size finds the same");
    const auto cut = run_input(input, chunk, limits);
    require(cut.found == whole.found && cut.end == whole.end, "what is cut in place is the same");
  }
  return 0;
}
