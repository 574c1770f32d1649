#include "probes/wire/ws_discovery.hpp"

#include "tests/support/cuts.hpp"

#include <catch2/catch.hpp>

using namespace tallywire::wire;
using tallywire::test::for_each_cut;

namespace {

Octets octets_of(const std::string& text) { return {reinterpret_cast<const std::uint8_t*>(text.data()), text.size()}; }

// The example of WS-Discovery (OASIS 1.1 §1.6 Table 2; April 2005 has the same with its own namespaces).
const std::string match = R"(<s:Envelope xmlns:a="http://schemas.xmlsoap.org/ws/2004/08/addressing"
 xmlns:d="http://schemas.xmlsoap.org/ws/2005/04/discovery" xmlns:i="http://printer.example.org/2003/imaging"
 xmlns:s="http://www.w3.org/2003/05/soap-envelope"><s:Header>
 <a:Action>http://schemas.xmlsoap.org/ws/2005/04/discovery/ProbeMatches</a:Action>
 <a:MessageID>urn:uuid:e32e6863-ea5e-4ee4-997e-69539d1ff2cc</a:MessageID>
 <a:RelatesTo>urn:uuid:0a6dc791-2be6-4991-9af1-454778a1917a
 </a:RelatesTo>
 <a:To>http://schemas.xmlsoap.org/ws/2004/08/addressing/role/anonymous</a:To>
 <d:AppSequence InstanceId="1077004800" MessageNumber="2" /></s:Header>
 <s:Body><d:ProbeMatches><d:ProbeMatch>
 <a:EndpointReference><a:Address>urn:uuid:98190dc2-0890-4ef8-ac9a-5940995e6119</a:Address></a:EndpointReference>
 <d:Types>i:PrintBasic i:PrintAdvanced</d:Types>
 <d:Scopes>
  ldap:///ou=engineering,o=examplecom,c=us
  ldap:///ou=floor1,ou=b42,ou=anytown,o=examplecom,c=us
  http://itdept/imaging/deployment/2004-12-04
 </d:Scopes>
 <d:XAddrs>http://prn-example/PRN42/b42-1668-a</d:XAddrs>
 <d:MetadataVersion>75965</d:MetadataVersion>
 </d:ProbeMatch></d:ProbeMatches></s:Body></s:Envelope>)";

std::string envelope(const std::string& body, const std::string& header = "") {
  return "<e:Envelope xmlns:e='http://www.w3.org/2003/05/soap-envelope'><e:Header>" + header + "</e:Header><e:Body>" + body +
         "</e:Body></e:Envelope>";
}

WsDiscoveryDevice device(const std::string& scopes) {
  const auto found = decode_ws_discovery(octets_of(envelope("<Hello><Scopes>" + scopes + "</Scopes></Hello>")));
  REQUIRE(found);
  REQUIRE(found->devices.size() == 1);
  return found->devices[0];
}

}  // namespace

TEST_CASE("the probe match of the specification's example (WS-Discovery §1.6)") {
  const auto found = decode_ws_discovery(octets_of(match));
  REQUIRE(found);
  CHECK(found->kind == WsDiscoveryKind::probe_matches);
  CHECK(found->message_id == "urn:uuid:e32e6863-ea5e-4ee4-997e-69539d1ff2cc");
  CHECK(found->relates_to == "urn:uuid:0a6dc791-2be6-4991-9af1-454778a1917a");
  CHECK(found->instance == 1077004800);
  REQUIRE(found->devices.size() == 1);
  const auto& one = found->devices[0];
  CHECK(one.endpoint == "urn:uuid:98190dc2-0890-4ef8-ac9a-5940995e6119");
  CHECK(one.types == std::vector<std::string>{"PrintBasic", "PrintAdvanced"});
  REQUIRE(one.scopes.size() == 3);
  CHECK(one.scopes[2] == "http://itdept/imaging/deployment/2004-12-04");
  CHECK(one.service_addresses == std::vector<std::string>{"http://prn-example/PRN42/b42-1668-a"});
  CHECK(one.metadata_version == 75965);
  CHECK(one.name.empty());
}

TEST_CASE("the six kinds of message; those that ask tell of no device (WS-Discovery §4 to §6)") {
  const std::pair<const char*, const char*> kinds[] = {{"Hello", "hello"}, {"Bye", "bye"}, {"Probe", "probe"},
      {"ProbeMatches", "probe_matches"}, {"Resolve", "resolve"}, {"ResolveMatches", "resolve_matches"}};
  for (const auto& [element, name] : kinds) {
    const auto found = decode_ws_discovery(octets_of(envelope("<x:" + std::string(element) + "><EndpointReference><Address>urn:uuid:1"
        "</Address></EndpointReference></x:" + element + ">")));
    REQUIRE(found);
    CHECK(std::string(name_of(found->kind)) == name);
    const bool tells = found->kind == WsDiscoveryKind::hello || found->kind == WsDiscoveryKind::bye;
    CHECK(found->devices.size() == (tells ? 1 : 0));
    CHECK_FALSE(found->instance);
  }
  CHECK(decode_ws_discovery(octets_of(envelope("<ResolveMatches><ResolveMatch><XAddrs>http://192.0.2.10/x</XAddrs></ResolveMatch>"
                                               "</ResolveMatches>")))->devices.size() == 1);
}

TEST_CASE("what a device says by ONVIF's scopes (ONVIF Core, scopes; check-values section 12)") {
  const auto one = device("onvif://www.onvif.org/Profile/Streaming onvif://www.onvif.org/hardware/D1-566 onvif://www.onvif.org/name/Head%201"
                          " onvif://www.onvif.org/location/country/china onvif://www.onvif.org/location/city/Tram%20Depot"
                          " onvif://www.onvif.org/MacAddress/02-00-00-00-00-01 onvif://www.onvif.org/SerialNumber/A%2F17");
  CHECK(one.name == "Head 1");
  CHECK(one.hardware == "D1-566");
  CHECK(one.location == "country/china, city/Tram Depot");
  CHECK(one.hardware_address == "02:00:00:00:00:01");
  CHECK(one.serial == "A/17");
  CHECK(one.scopes.size() == 7);
}

TEST_CASE("scopes as units write them: other case, other signs, nothing behind the slash, percent signs that code nothing") {
  CHECK(device("ONVIF://WWW.ONVIF.ORG/NAME/x").name == "x");
  CHECK(device("onvif://www.onvif.org/name/ onvif://www.onvif.org/name/second").name == "second");
  CHECK(device("onvif://www.onvif.org/macaddress/020000000aB1").hardware_address == "02:00:00:00:0a:b1");
  CHECK(device("onvif://www.onvif.org/macaddress/none").hardware_address == "none");
  CHECK(device("onvif://www.onvif.org/name/50%").name == "50%");
  CHECK(device("onvif://www.onvif.org/name/%zz%4").name == "%zz%4");
  CHECK(device("onvif://www.onvif.org/name/%1b%ff").name == "\xef\xbf\xbd\xef\xbf\xbd");
  CHECK(device("onvif://www.onvif.org/name/%C3%A9").name == "\xc3\xa9");
  CHECK(device("onvif://www.onvif.org.example/name/x").name.empty());
}

TEST_CASE("a probe for any device goes out with the words of April 2005 (check-values section 12)") {
  const auto text = encode_ws_discovery_probe("urn:uuid:0a6dc791-2be6-4991-9af1-454778a1917a");
  for (const auto* word : {">urn:schemas-xmlsoap-org:ws:2005:04:discovery</", ">http://schemas.xmlsoap.org/ws/2005/04/discovery/Probe</",
                           "\"http://schemas.xmlsoap.org/ws/2005/04/discovery\"", "\"http://schemas.xmlsoap.org/ws/2004/08/addressing\""})
    CHECK(text.find(word) != std::string::npos);
  const auto back = decode_ws_discovery(octets_of(text));
  REQUIRE(back);
  CHECK(back->kind == WsDiscoveryKind::probe);
  CHECK(back->message_id == "urn:uuid:0a6dc791-2be6-4991-9af1-454778a1917a");
  // ONVIF Core, discovery: the type that older devices answer to alone.
  CHECK(encode_ws_discovery_probe("urn:uuid:1", WsDiscoveryAim::network_video_transmitter).find("<d:Types>dn:NetworkVideoTransmitter</d:Types>") !=
        std::string::npos);
  CHECK(encode_ws_discovery_probe("<&").find("&lt;&amp;") != std::string::npos);
}

TEST_CASE("what units put around a message does no harm: a byte order mark, blanks, a NUL at the end (common practice)") {
  for (const auto& text : {"\xef\xbb\xbf" + match, "\r\n" + match, match + std::string(1, '\0'), match + "\r\n\r\n",
                           "<?xml version=\"1.0\" encoding=\"utf-8\"?>" + match}) {
    const auto found = decode_ws_discovery(octets_of(text));
    REQUIRE(found);
    CHECK(found->devices.size() == 1);
  }
}

TEST_CASE("hostile messages: nested deep, with a DOCTYPE, too many devices, too many words") {
  std::string deep;
  for (int i = 0; i < 20000; ++i) deep += "<a>";
  CHECK_FALSE(decode_ws_discovery(octets_of(envelope(deep))));
  CHECK_FALSE(decode_ws_discovery(octets_of("<!DOCTYPE a [<!ENTITY b 'c'>]>" + envelope("<Hello/>"))));
  CHECK_FALSE(decode_ws_discovery(octets_of(envelope("<Other/>"))));
  CHECK_FALSE(decode_ws_discovery(octets_of("M-SEARCH * HTTP/1.1\r\n\r\n")));
  CHECK_FALSE(decode_ws_discovery({}));
  CHECK_FALSE(decode_ws_discovery(octets_of(envelope("<Hello/>") + std::string(70000, ' '))));
  std::string many, words;
  for (int i = 0; i < 200; ++i) many += "<ProbeMatch/>";
  for (int i = 0; i < 1000; ++i) words += " onvif://www.onvif.org/location/a";
  CHECK(decode_ws_discovery(octets_of(envelope("<ProbeMatches>" + many + "</ProbeMatches>")))->devices.size() == 64);
  CHECK(device(words).scopes.size() == 256);
}

TEST_CASE("a message cut anywhere is refused") {
  for_each_cut({match.begin(), match.end()}, [](const auto& cut) { CHECK_FALSE(decode_ws_discovery(cut)); });
}
