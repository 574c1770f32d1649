#include "probes/wire/rtsp_transport.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::wire;

TEST_CASE("Transport answers: RFC 2326 §12.39, §14.1") {
  const auto tcp = decode_transport("RTP/AVP/TCP;interleaved=5-6");
  REQUIRE(tcp);
  CHECK(tcp->at(0).tcp);
  CHECK(tcp->at(0).rtp_channel == 5);  // a server may change the channels: RFC 7826 §14
  CHECK(tcp->at(0).rtcp_channel == 6);
  const auto udp = decode_transport("RTP/AVP/UDP;unicast;client_port=3056-3057;server_port=5000-5001;ssrc=0A0B0C0D");
  REQUIRE(udp);
  CHECK_FALSE(udp->at(0).tcp);
  CHECK(udp->at(0).unicast);
  CHECK(udp->at(0).server_rtp == 5000);
  CHECK(udp->at(0).server_rtcp == 5001);
  CHECK(udp->at(0).ssrc == 0x0a0b0c0du);
  const auto two = decode_transport("RTP/AVP;multicast;ttl=127;mode=\"PLAY\",RTP/AVP;unicast;client_port=3456-3457;mode=\"PLAY\"");
  REQUIRE(two);
  REQUIRE(two->size() == 2);
  CHECK(two->at(0).multicast);
  CHECK(two->at(0).ttl == 127);
  CHECK(two->at(1).client_rtcp == 3457);
}

TEST_CASE("numbers outside their range are refused") {
  for (const char* wrong : {"RTP/AVP;unicast;client_port=70000-70001", "RTP/AVP/TCP;interleaved=256-257", "RTP/AVP/TCP;interleaved=255",
                            "RTP/AVP;multicast;ttl=256", "RTP/AVP;unicast;server_port=-1", "RTP/AVP;unicast;server_port=",
                            "RTP/AVP;unicast;dest_addr=\":70000\"", "RTP/AVP;unicast;src_addr=\"192.0.2.1:x\"",
                            "RTP/AVP;unicast;server_port=99999999999999999999-1"}) {
    CAPTURE(wrong);
    CHECK_FALSE(decode_transport(wrong));
  }
}

TEST_CASE("Transport as units write it: blanks, case, one port, a source in quotes") {
  const auto odd = decode_transport(" rtp/avp/tcp ; Unicast ; Interleaved = 2 ; SSRC= 1f ; source=\"192.0.2.10\"; ; x-odd=1,RTP/AVP;multicast");
  REQUIRE(odd);
  REQUIRE(odd->size() == 2);
  const auto& grant = odd->at(0);
  CHECK(grant.tcp);
  CHECK(grant.unicast);
  CHECK(grant.rtp_channel == 2);
  CHECK(grant.rtcp_channel == 3);
  CHECK(grant.ssrc == 0x1fu);
  CHECK(grant.source == "192.0.2.10");
  // An SSRC that is no hexadecimal number is not worth a session.
  CHECK_FALSE(decode_transport("RTP/AVP;unicast;ssrc=none")->at(0).ssrc);
}

TEST_CASE("addresses of 2.0: RFC 7826 §18.54, the example of §13.3") {
  const auto grants = decode_transport(
      "RTP/AVP;unicast;dest_addr=\"192.0.2.5:3456\"/ \"192.0.2.5:3457\";src_addr=\"192.0.2.224:6256\"/ \"192.0.2.224:6257\";mode=\"PLAY\"");
  REQUIRE(grants);
  const auto& grant = grants->at(0);
  CHECK(grant.destination == "192.0.2.5");
  CHECK(grant.client_rtp == 3456);
  CHECK(grant.client_rtcp == 3457);
  CHECK(grant.source == "192.0.2.224");
  CHECK(grant.server_rtp == 6256);
  CHECK(grant.server_rtcp == 6257);
  const auto v6 = decode_transport("RTP/AVP;unicast;src_addr=\"[2001:db8::a]:6256\"/\"[2001:db8::a]:6257\"");
  CHECK(v6->at(0).source == "2001:db8::a");
  CHECK(v6->at(0).server_rtcp == 6257);
  const auto ports_alone = decode_transport("RTP/AVP;unicast;dest_addr=\":8192\"/\":8193\"");
  CHECK(ports_alone->at(0).client_rtcp == 8193);
  CHECK(ports_alone->at(0).destination.empty());
  const auto group = decode_transport("RTP/AVP;multicast;dest_addr=\"233.252.0.1:5000\"/\"233.252.0.1:5001\";ttl=16");
  CHECK(group->at(0).port_rtp == 5000);
  CHECK(group->at(0).port_rtcp == 5001);
}

TEST_CASE("what is offered can be read back") {
  TransportOffer offer;
  offer.ports = {3456, 3457};
  offer.channel = 4;
  for (const auto transport : {LowerTransport::tcp, LowerTransport::udp, LowerTransport::multicast})
    for (const int version : {1, 2}) {
      offer.transport = transport;
      offer.version = version;
      const auto read = decode_transport(encode_transport(offer));
      REQUIRE(read);
      CHECK(read->at(0).tcp == (transport == LowerTransport::tcp));
      CHECK(read->at(0).multicast == (transport == LowerTransport::multicast));
      CHECK(read->at(0).unicast == (transport != LowerTransport::multicast));
      if (transport == LowerTransport::tcp) CHECK(read->at(0).rtcp_channel == 5);
      if (transport == LowerTransport::udp) CHECK(read->at(0).client_rtcp == 3457);
    }
}

TEST_CASE("session and its timeout: 60 s unless told (RFC 2326 §12.37)") {
  const auto spaced = decode_session("12345678; timeout=60");  // ONVIF Streaming writes the blank
  REQUIRE(spaced);
  CHECK(spaced->id == "12345678");
  CHECK(spaced->timeout_s == 60);
  CHECK(spaced->timeout_told);
  CHECK(decode_session("12345678 ;Timeout = 30")->timeout_s == 30);
  CHECK(decode_session("abcdefgh")->timeout_s == 60);
  CHECK_FALSE(decode_session("abcdefgh")->timeout_told);
  for (const char* odd : {"a;timeout=0", "a;timeout=-5", "a;timeout=soon", "a;timeout=99999999999"})
    CHECK(decode_session(odd)->timeout_s == 60);
  CHECK_FALSE(decode_session(""));
  CHECK_FALSE(decode_session(" ;timeout=60"));
}
