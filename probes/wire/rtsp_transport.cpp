#include "probes/wire/rtsp_transport.hpp"

#include "probes/wire/rtsp_text.hpp"

#include <algorithm>

namespace tallywire::wire {
namespace {

constexpr int highest_port = 65535, highest_channel = 255;

bool read_range(std::string_view value, int highest, int& first, int& second) {
  std::string_view rest = value;
  if (!read_number(trim(cut(rest, '-')), first) || first < 0 || first > highest) return false;
  second = first + 1;
  rest = trim(rest);
  if (!rest.empty() && (!read_number(rest, second) || second < 0)) return false;
  return second <= highest;
}

std::string_view unquoted(std::string_view text) {
  text = trim(text);
  if (text.size() >= 2 && text.front() == '"' && text.back() == '"') return text.substr(1, text.size() - 2);
  return text;
}

// "192.0.2.5:3056", "[2001:db8::5]:3056" or ":3056" (RFC 7826 §18.54: the other side knows the address).
bool read_endpoint(std::string_view text, std::string& address, int& port) {
  text = unquoted(text);
  const auto colon = text.rfind(':');
  const auto bracket = text.rfind(']');
  if (colon == std::string_view::npos || (bracket != std::string_view::npos && bracket > colon)) {
    address = text;
    return true;
  }
  address = text.substr(0, colon);
  if (address.size() >= 2 && address.front() == '[' && address.back() == ']')
    address = address.substr(1, address.size() - 2);
  return read_number(text.substr(colon + 1), port) && port >= 0 && port <= highest_port;
}

// "\":3056\"/\":3057\"": RTP first, then RTCP.
bool read_addresses(std::string_view value, std::string& address, int& rtp, int& rtcp) {
  std::string_view rest = trim(value);
  if (!read_endpoint(cut(rest, '/'), address, rtp)) return false;
  if (trim(rest).empty()) return true;
  std::string second;
  return read_endpoint(cut(rest, '/'), second, rtcp);
}

bool read_field(std::string_view field, TransportGrant& out) {
  std::string_view value = field;
  const auto name = lower(trim(cut(value, '=')));
  value = trim(value);
  if (name == "multicast") out.multicast = true;
  if (name == "unicast") out.unicast = true;
  if (name == "interleaved") return read_range(value, highest_channel, out.rtp_channel, out.rtcp_channel);
  if (name == "client_port") return read_range(value, highest_port, out.client_rtp, out.client_rtcp);
  if (name == "server_port") return read_range(value, highest_port, out.server_rtp, out.server_rtcp);
  if (name == "port") return read_range(value, highest_port, out.port_rtp, out.port_rtcp);
  if (name == "dest_addr") return read_addresses(value, out.destination, out.client_rtp, out.client_rtcp);
  if (name == "src_addr") return read_addresses(value, out.source, out.server_rtp, out.server_rtcp);
  if (name == "ttl") return read_number(value, out.ttl) && out.ttl >= 0 && out.ttl <= 255;
  if (name == "source") out.source = unquoted(value);
  if (name == "destination") out.destination = unquoted(value);
  std::uint32_t ssrc = 0;  // a unit that writes it otherwise than in hexadecimal is not refused for it
  if (name == "ssrc" && read_number(trim(value.substr(0, value.find('/'))), ssrc, 16)) out.ssrc = ssrc;
  return true;
}

// Takes the part before `separator` off the front; one inside quotes does not count.
std::string_view cut_unquoted(std::string_view& rest, char separator) {
  bool quoted = false;
  std::size_t at = 0;
  for (; at < rest.size(); ++at) {
    if (rest[at] == '"') quoted = !quoted;
    if (rest[at] == separator && !quoted) break;
  }
  const auto part = rest.substr(0, at);
  rest = at < rest.size() ? rest.substr(at + 1) : std::string_view();
  return part;
}

}  // namespace

std::optional<std::vector<TransportGrant>> decode_transport(std::string_view header) {
  std::vector<TransportGrant> out;
  while (!header.empty()) {
    std::string_view offer = cut_unquoted(header, ',');
    TransportGrant grant;
    const auto specification = lower(trim(cut_unquoted(offer, ';')));
    grant.tcp = specification.size() > 4 && specification.substr(specification.size() - 4) == "/tcp";
    while (!offer.empty())
      if (!read_field(cut_unquoted(offer, ';'), grant)) return std::nullopt;
    if (grant.multicast && grant.port_rtp == 0) {  // 2.0 has one way to name ports
      grant.port_rtp = grant.client_rtp;
      grant.port_rtcp = grant.client_rtcp;
    }
    out.push_back(std::move(grant));
  }
  return out;
}

std::string encode_transport(const TransportOffer& offer) {
  // Always the word: without it the default is multicast (RFC 2326 §12.39).
  const auto rtp = std::to_string(offer.ports.rtp), rtcp = std::to_string(offer.ports.rtcp);
  switch (offer.transport) {
    case LowerTransport::tcp:
      return offer.profile + "/TCP;unicast;interleaved=" + std::to_string(offer.channel) + "-" +
             std::to_string(offer.channel + 1);
    case LowerTransport::udp:
      if (offer.version == 2) {
        // Servers of 2.0 that look for the ports of 1.0 only are around (seen: gst-rtsp-server 1.22); one that refuses
        // the old word takes the second.
        const auto plain = offer.profile + ";unicast;dest_addr=\":" + rtp + "\"/\":" + rtcp + "\"";
        return plain + ";client_port=" + rtp + "-" + rtcp + "," + plain;
      }
      return offer.profile + ";unicast;client_port=" + rtp + "-" + rtcp;
    case LowerTransport::multicast: return offer.profile + ";multicast";
  }
  return {};
}

std::optional<SessionHeader> decode_session(std::string_view header) {
  SessionHeader out;
  out.id = trim(cut(header, ';'));
  if (out.id.empty()) return std::nullopt;
  while (!header.empty()) {
    std::string_view value = cut(header, ';');
    if (lower(trim(cut(value, '='))) != "timeout") continue;
    int seconds = 0;
    if (!read_number(trim(value), seconds) || seconds <= 0) continue;
    out.timeout_s = seconds;
    out.timeout_told = true;
  }
  return out;
}

}  // namespace tallywire::wire
