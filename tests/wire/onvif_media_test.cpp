// The media services' messages. No ONVIF device that nobody here wrote exists in Debian, so nothing here claims
// interoperation: names, order and namespaces are held against the published WSDL and schema (ver10/media/wsdl/media.wsdl,
// ver20/media/wsdl/media.wsdl, ver10/schema/onvif.xsd), and what is sent is parsed by an XML parser that is not ours.
#include "probes/wire/onvif_media.hpp"

#include <catch2/catch.hpp>

#include <array>
#include <cstdio>
#include <cstdlib>
#include <memory>
#include <random>
#include <unistd.h>

using namespace tallywire;
using namespace tallywire::wire;

namespace {

const std::string where = "192.0.2.10:80";

std::string envelope(const std::string& body) {
  return "<?xml version=\"1.0\" encoding=\"UTF-8\"?><e:Envelope xmlns:e=\"http://www.w3.org/2003/05/soap-envelope\" "
         "xmlns:trt=\"http://www.onvif.org/ver10/media/wsdl\" xmlns:tr2=\"http://www.onvif.org/ver20/media/wsdl\" "
         "xmlns:tt=\"http://www.onvif.org/ver10/schema\"><e:Body>" + body + "</e:Body></e:Envelope>";
}

// tr2:MediaProfile, tr2:ConfigurationSet; tt:VideoEncoder2Configuration: Encoding, Resolution, RateControl
// (FrameRateLimit, BitrateLimit), Quality; attributes GovLength and Profile.
std::string profile2(const std::string& token, const std::string& source, const std::string& encoder) {
  return "<tr2:Profiles token=\"" + token + "\" fixed=\"true\"><tr2:Name>of " + token + "</tr2:Name>"
         "<tr2:Configurations><tr2:VideoSource token=\"vsc\"><tt:Name>v</tt:Name><tt:UseCount>1</tt:UseCount>"
         "<tt:SourceToken>" + source + "</tt:SourceToken><tt:Bounds x=\"0\" y=\"0\" width=\"1\" height=\"1\"/>"
         "</tr2:VideoSource>" + encoder + "</tr2:Configurations></tr2:Profiles>";
}

std::string encoder2(const std::string& codec, const std::string& fps, const std::string& kbps) {
  return "<tr2:VideoEncoder token=\"enc\" GovLength=\"50\" Profile=\"Main\"><tt:Name>e</tt:Name>"
         "<tt:UseCount>1</tt:UseCount><tt:Encoding>" + codec + "</tt:Encoding><tt:Resolution><tt:Width>1920</tt:Width>"
         "<tt:Height>1080</tt:Height></tt:Resolution><tt:RateControl ConstantBitRate=\"false\"><tt:FrameRateLimit>" + fps +
         "</tt:FrameRateLimit><tt:BitrateLimit>" + kbps + "</tt:BitrateLimit></tt:RateControl><tt:Quality>5</tt:Quality>"
         "</tr2:VideoEncoder>";
}

std::string profiles2(const std::string& all) { return envelope("<tr2:GetProfilesResponse>" + all + "</tr2:GetProfilesResponse>"); }

// Every element of a document with its namespace, in order, as Python's own parser sees it; "" when it is no XML.
std::string seen_by_python(const std::string& xml) {
  std::array<char, 40> name{"/tmp/tallywire-soap-XXXXXX"};
  const int file = mkstemp(name.data());
  REQUIRE(file >= 0);
  REQUIRE(write(file, xml.data(), xml.size()) == static_cast<ssize_t>(xml.size()));
  close(file);
  const std::string command = "/usr/bin/python3 -c 'import sys, xml.etree.ElementTree as t\n"
                              "for e in t.parse(sys.argv[1]).iter(): print(e.tag, (e.text or \"\").strip())' " +
                              std::string(name.data()) + " 2>/dev/null";
  const std::unique_ptr<FILE, int (*)(FILE*)> pipe(popen(command.c_str(), "r"), &pclose);
  REQUIRE(pipe);
  std::string out;
  std::array<char, 4096> chunk{};
  while (const auto count = std::fread(chunk.data(), 1, chunk.size(), pipe.get())) out.append(chunk.data(), count);
  unlink(name.data());
  return out;
}

std::string sent(const OnvifQuestion& question) { return encode_onvif(question, std::nullopt).body; }

const std::string soap = "{http://www.w3.org/2003/05/soap-envelope}";
const std::string media1 = "{http://www.onvif.org/ver10/media/wsdl}", media2 = "{http://www.onvif.org/ver20/media/wsdl}";
const std::string schema = "{http://www.onvif.org/ver10/schema}", device = "{http://www.onvif.org/ver10/device/wsdl}";

std::string in_body(const std::string& rest) { return soap + "Envelope \n" + soap + "Body \n" + rest; }

}  // namespace

TEST_CASE("What is sent is well-formed, with the WSDL's names, order and namespaces, as Python's parser sees it") {
  CHECK(seen_by_python("<a><b></a>").empty());  // the check can fail
  CHECK(seen_by_python(sent(ask_services())) ==
        in_body(device + "GetServices \n" + device + "IncludeCapability false\n"));
  CHECK(seen_by_python(sent(ask_capabilities())) == in_body(device + "GetCapabilities \n" + device + "Category Media\n"));
  CHECK(seen_by_python(sent(ask_profiles(MediaVersion::media2))) ==
        in_body(media2 + "GetProfiles \n" + media2 + "Type All\n"));
  CHECK(seen_by_python(sent(ask_profiles(MediaVersion::media1))) == in_body(media1 + "GetProfiles \n"));
  CHECK(seen_by_python(sent(ask_video_sources())) == in_body(media1 + "GetVideoSources \n"));
  CHECK(seen_by_python(sent(ask_stream_uri(MediaVersion::media2, "a<b&\"c", "RtspUnicast"))) ==
        in_body(media2 + "GetStreamUri \n" + media2 + "Protocol RtspUnicast\n" + media2 + "ProfileToken a<b&\"c\n"));
  CHECK(seen_by_python(sent(ask_stream_uri(MediaVersion::media1, "p", ""))) ==
        in_body(media1 + "GetStreamUri \n" + media1 + "StreamSetup \n" + schema + "Stream RTP-Unicast\n" + schema +
                "Transport \n" + schema + "Protocol RTSP\n" + media1 + "ProfileToken p\n"));
  CHECK(seen_by_python(sent(ask_snapshot_uri(MediaVersion::media2, "p"))) ==
        in_body(media2 + "GetSnapshotUri \n" + media2 + "ProfileToken p\n"));
}

TEST_CASE("The action is the service's namespace, a slash and the operation (ONVIF WSDL, soapAction)") {
  CHECK(encode_onvif(ask_profiles(MediaVersion::media2), std::nullopt).content_type ==
        "application/soap+xml; charset=utf-8; action=\"http://www.onvif.org/ver20/media/wsdl/GetProfiles\"");
}

TEST_CASE("Profiles of version 2: head, encoder, and limits in bit/s and frames/s") {
  const auto told = decode_profiles(MediaVersion::media2,
                                    profiles2(profile2("p1", "head_a", encoder2("h265", "12.5", "4096")) +
                                              profile2("p2", "head_b", encoder2("H264", "25", "0"))),
                                    where);
  REQUIRE(told.has_value());
  REQUIRE(told->profiles.size() == 2);
  const auto& first = told->profiles[0];
  CHECK(first.token == "p1");
  CHECK(first.name == "of p1");
  CHECK(first.video_source == "head_a");
  CHECK(first.encoder.token == "enc");
  CHECK(first.encoder.codec == "H265");  // media subtypes know no case: RFC 6838 §4.2
  CHECK(first.encoder.width_px == 1920);
  CHECK(first.encoder.height_px == 1080);
  CHECK(first.encoder.frame_rate_hz == 12.5);      // onvif.xsd: VideoRateControl2, a float
  CHECK(first.encoder.bit_rate_bps == 4'096'000);  // onvif.xsd: BitrateLimit is in kbit/s
  CHECK(first.encoder.gop_frames == 50);
  CHECK(first.encoder.profile == "Main");
  CHECK_FALSE(told->profiles[1].encoder.bit_rate_bps);  // 0 is no rate
}

TEST_CASE("Profiles of version 1: GovLength stands inside H264, and an interval of 2 halves the rate") {
  // onvif.xsd: tt:Profile, tt:VideoEncoderConfiguration, tt:VideoRateControl, tt:H264Configuration.
  const auto told = decode_profiles(
      MediaVersion::media1,
      envelope("<trt:GetProfilesResponse><trt:Profiles token=\"p1\" fixed=\"true\"><tt:Name>main</tt:Name>"
               "<tt:VideoSourceConfiguration token=\"v\"><tt:Name>v</tt:Name><tt:UseCount>1</tt:UseCount>"
               "<tt:SourceToken>head_a</tt:SourceToken></tt:VideoSourceConfiguration>"
               "<tt:VideoEncoderConfiguration token=\"e\"><tt:Name>e</tt:Name><tt:UseCount>1</tt:UseCount>"
               "<tt:Encoding>H264</tt:Encoding><tt:Resolution><tt:Width>640</tt:Width><tt:Height>360</tt:Height>"
               "</tt:Resolution><tt:Quality>5</tt:Quality><tt:RateControl><tt:FrameRateLimit>25</tt:FrameRateLimit>"
               "<tt:EncodingInterval>2</tt:EncodingInterval><tt:BitrateLimit>512</tt:BitrateLimit></tt:RateControl>"
               "<tt:MPEG4><tt:GovLength>7</tt:GovLength></tt:MPEG4><tt:H264><tt:GovLength>20</tt:GovLength>"
               "<tt:H264Profile>High</tt:H264Profile></tt:H264></tt:VideoEncoderConfiguration></trt:Profiles>"
               "<trt:Profiles token=\"sound\"><tt:Name>sound</tt:Name></trt:Profiles></trt:GetProfilesResponse>"),
      where);
  REQUIRE(told.has_value());
  REQUIRE(told->profiles.size() == 1);  // a profile without a picture is no stream of ours
  const auto& e = told->profiles[0].encoder;
  CHECK(told->profiles[0].video_source == "head_a");
  CHECK(e.frame_rate_hz == 12.5);
  CHECK(e.frame_rate_uncertainty_hz == 0.5);
  CHECK(e.bit_rate_bps == 512'000);
  CHECK(e.gop_frames == 20);
  CHECK(e.profile == "High");
}

TEST_CASE("More than 64 profiles are counted, not taken; numbers that are none are untold") {
  std::string many;
  for (int i = 0; i < 70; ++i) many += profile2("p" + std::to_string(i), "h", encoder2("H264", "25", "1000"));
  const auto told = decode_profiles(MediaVersion::media2, profiles2(many), where);
  REQUIRE(told.has_value());
  CHECK(told->profiles.size() == most_profiles);
  CHECK(told->left_off == 6);
  for (const char* bad : {"", "x", "-1", "nan", "inf", "1e99", "25 fps", "0x19"}) {
    const auto odd = decode_profiles(MediaVersion::media2, profiles2(profile2("p", "h", encoder2("H264", bad, bad))), where);
    REQUIRE(odd.has_value());
    INFO(bad);
    REQUIRE(odd->profiles.size() == 1);
    CHECK_FALSE(odd->profiles[0].encoder.frame_rate_hz);
    CHECK_FALSE(odd->profiles[0].encoder.bit_rate_bps);
  }
}

TEST_CASE("Addresses of both versions, and heads in the unit's order") {
  const auto two = decode_stream_uri(
      envelope("<tr2:GetStreamUriResponse><tr2:Uri> rtsp://192.0.2.10/a?x=1&amp;y=2 </tr2:Uri></tr2:GetStreamUriResponse>"), where);
  REQUIRE(two.has_value());
  CHECK(*two == "rtsp://192.0.2.10/a?x=1&y=2");
  const auto one = decode_snapshot_uri(
      envelope("<trt:GetSnapshotUriResponse><trt:MediaUri><tt:Uri>http://192.0.2.10/s</tt:Uri><tt:Timeout>PT0S</tt:Timeout>"
               "</trt:MediaUri></trt:GetSnapshotUriResponse>"), where);
  REQUIRE(one.has_value());
  CHECK(*one == "http://192.0.2.10/s");
  CHECK(decode_stream_uri(envelope("<tr2:GetStreamUriResponse/>"), where).error().kind == FaultKind::unsupported);
  CHECK(decode_stream_uri(envelope("<tr2:GetSnapshotUriResponse/>"), where).error().kind == FaultKind::malformed);
  const auto heads = decode_video_sources(
      envelope("<trt:GetVideoSourcesResponse><trt:VideoSources token=\"b\"/><trt:VideoSources token=\"a\"><tt:Framerate>30"
               "</tt:Framerate></trt:VideoSources></trt:GetVideoSourcesResponse>"), where);
  REQUIRE(heads.has_value());
  CHECK(*heads == std::vector<std::string>{"b", "a"});
}

TEST_CASE("Profiles that nest, expand or are too many octets are malformed") {
  const auto kind = [](const std::string& body) {
    const auto told = decode_profiles(MediaVersion::media2, body, where);
    REQUIRE_FALSE(told.has_value());
    return told.error().kind;
  };
  std::string deep, end;
  for (int i = 0; i < 20000; ++i) deep += "<a>", end += "</a>";
  CHECK(kind(profiles2(deep + end)) == FaultKind::malformed);
  CHECK(kind(profiles2(std::string(largest_profiles, ' '))) == FaultKind::malformed);
  CHECK(kind("<!DOCTYPE x [<!ENTITY a \"b\">]>" + profiles2("")) == FaultKind::malformed);  // SOAP 1.2 part 1 §5
  const auto good = profiles2(profile2("p", "h", encoder2("H264", "25", "1000")));
  for (std::size_t size = 0; size < good.size(); ++size) CHECK(kind(good.substr(0, size)) == FaultKind::malformed);
}

TEST_CASE("Good profiles with random octets never crash") {
  std::mt19937 random(20261126);  // NOLINT: the same every time
  const auto good = profiles2(profile2("p", "h", encoder2("H264", "25", "1000")));
  int read = 0;
  for (int i = 0; i < 3000; ++i) {
    auto body = good;
    for (auto n = 1 + random() % 4; n-- > 0;) body[random() % body.size()] = static_cast<char>(random() & 0xff);
    for (const auto version : {MediaVersion::media1, MediaVersion::media2})
      read += decode_profiles(version, body, where).has_value();
  }
  CHECK(read > 200);
}
