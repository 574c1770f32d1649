// The Transport and Session headers (RFC 2326 §12.39, §12.37; RFC 7826 §18.54, §18.49).
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace tallywire::wire {

enum class LowerTransport { tcp, udp, multicast };

struct PortPair {
  int rtp = 0, rtcp = 0;
};

// The lower transport that a SETUP answer grants. A number that was not told is 0, a channel -1.
struct TransportGrant {
  bool tcp = false;
  bool unicast = false;    // the word itself: 1.0 without either word means multicast
  bool multicast = false;
  int rtp_channel = -1;    // interleaved
  int rtcp_channel = -1;
  int client_rtp = 0, client_rtcp = 0;  // 2.0: the ports of dest_addr
  int server_rtp = 0, server_rtcp = 0;  // 2.0: the ports of src_addr
  int port_rtp = 0, port_rtcp = 0;      // multicast
  int ttl = 0;
  std::string source;      // 2.0: the address of src_addr
  std::string destination;  // 2.0: the address of dest_addr
  std::optional<std::uint32_t> ssrc;
};

// Every offer of a Transport header, in order; None when a number is out of its range.
std::optional<std::vector<TransportGrant>> decode_transport(std::string_view header);

// What is asked for with a SETUP. `profile` is the medium's own ("RTP/AVP"); `channel` is even; `version` is 1 or 2.
struct TransportOffer {
  LowerTransport transport = LowerTransport::tcp;
  std::string profile = "RTP/AVP";
  int channel = 0;
  PortPair ports;
  int version = 1;
};
std::string encode_transport(const TransportOffer& offer);

struct SessionHeader {
  std::string id;
  int timeout_s = 60;  // §12.37
  bool timeout_told = false;
};
std::optional<SessionHeader> decode_session(std::string_view header);

}  // namespace tallywire::wire
