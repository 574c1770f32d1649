#include "config/design_json.hpp"
#include "config/loader.hpp"
#include "config/settings.hpp"

#include <catch2/catch.hpp>

#include <filesystem>
#include <fstream>
#include <sstream>

using namespace tallywire::config;
using nlohmann::json;

namespace {

const std::string sites = std::string(TALLYWIRE_SOURCE_DIR) + "/config/sites/";

json good() {
  std::ifstream in(sites + "tram-depot.json");
  return json::parse(in);
}

std::vector<DesignFault> faults_of(const json& design) { return parse_design(design.dump(2), "site.json").faults; }

// The one fault at this pointer; fails when there is none or when others stand beside it.
DesignFault only_fault(const json& design, const std::string& pointer) {
  const auto faults = faults_of(design);
  for (const auto& f : faults) UNSCOPED_INFO(f.sentence());
  REQUIRE(faults.size() == 1);
  CHECK(faults[0].pointer == pointer);
  CHECK(faults[0].line > 1);
  CHECK_FALSE(faults[0].right.empty());
  return faults[0];
}

}  // namespace

TEST_CASE("every sample site loads without a fault") {
  int count = 0;
  for (const auto& entry : std::filesystem::directory_iterator(sites)) {
    if (entry.path().extension() != ".json") continue;
    const auto loaded = load_design(entry.path().string());
    for (const auto& f : loaded.faults) UNSCOPED_INFO(f.sentence());
    CHECK(loaded.design);
    ++count;
  }
  CHECK(count >= 1);
}

TEST_CASE("HTTPS and TLS have ports of their own unless the design names one; a head may name its video source") {
  const auto camera_of = [](json change) {
    auto design = good();
    for (const char* port : {"onvif_port", "rtsp_port"}) design["cameras"][0].erase(port);
    design["cameras"][0].update(change);
    const auto loaded = parse_design(design.dump(), "site.json");
    REQUIRE(loaded.design);
    return loaded.design->cameras[0];
  };
  CHECK(camera_of(json::object()).rtsp_port == 554);  // RFC 2326 §3.2
  CHECK(camera_of({{"rtsp_tls", true}}).rtsp_port == 322);  // RFC 7826 §4.2
  CHECK_FALSE(camera_of(json::object()).allow_basic_login);
  CHECK(camera_of(json::object()).onvif_port == 80);
  CHECK_FALSE(camera_of(json::object()).onvif_https);
  CHECK(camera_of({{"onvif_https", true}}).onvif_port == 443);  // RFC 9110 §4.2.2
  CHECK(camera_of({{"onvif_https", true}, {"onvif_port", 8443}}).onvif_port == 8443);
  auto design = good();
  CHECK_FALSE(camera_of(json::object()).heads[0].video_source);
  design["cameras"][0]["heads"][0]["video_source"] = "VideoSource_1";
  const auto loaded = parse_design(design.dump(), "site.json");
  REQUIRE(loaded.design);
  CHECK(loaded.design->cameras[0].heads[0].video_source == "VideoSource_1");
  CHECK(to_json(*loaded.design)["cameras"][0]["heads"][0]["video_source"] == "VideoSource_1");
  design["cameras"][0]["heads"][0]["video_source"] = "";
  REQUIRE(faults_of(design).size() == 1);
  CHECK(faults_of(design)[0].pointer == "/cameras/0/heads/0/video_source");
}

TEST_CASE("the demo depot has what a demo needs") {
  const auto design = *load_design(sites + "tram-depot.json").design;
  CHECK(design.switches.size() == 2);
  CHECK(design.cameras.size() >= 8);
  std::size_t four_heads = 0, streams = 0;
  for (const auto& camera : design.cameras) {
    four_heads += camera.heads.size() == 4;
    for (const auto& head : camera.heads) streams += head.streams.size();
  }
  CHECK(four_heads == 2);
  CHECK(streams >= 14);
  CHECK(design.recorders.size() == 1);
  CHECK(design.sha256.size() == 64);
}

TEST_CASE("a design survives its own JSON") {
  const auto design = *load_design(sites + "tram-depot.json").design;
  const auto again = parse_design(to_json(design).dump(), "again.json");
  for (const auto& f : again.faults) UNSCOPED_INFO(f.sentence());
  REQUIRE(again.design);
  CHECK(to_json(*again.design) == to_json(design));
}

TEST_CASE("a camera may name its firmware, a word that the design keeps") {
  auto design = good();
  CHECK_FALSE(parse_design(design.dump(), "site.json").design->cameras[0].firmware);
  design["cameras"][0]["firmware"] = "7.2.1";
  const auto loaded = parse_design(design.dump(), "site.json");
  REQUIRE(loaded.design);
  CHECK(loaded.design->cameras[0].firmware == "7.2.1");
  CHECK(to_json(*loaded.design)["cameras"][0]["firmware"] == "7.2.1");
}

TEST_CASE("a duplicate id is told with the place of the first") {
  auto design = good();
  design["cameras"][1]["id"] = design["cameras"][0]["id"];
  // Its streams are missed elsewhere too: every consequence is told, and this one at its place.
  bool told = false;
  for (const auto& fault : faults_of(design))
    told = told || (fault.pointer == "/cameras/1/id" && fault.what.find("is used twice") != std::string::npos &&
                    fault.right.find("/cameras/0/id") != std::string::npos);
  CHECK(told);
}

TEST_CASE("a port used twice, and a port that the switch does not have") {
  auto design = good();
  design["cameras"][1]["port"] = design["cameras"][0]["port"];
  CHECK(only_fault(design, "/cameras/1/port").right.find("/cameras/0/port") != std::string::npos);
  design["cameras"][1]["port"] = "p99";
  CHECK(only_fault(design, "/cameras/1/port").right.find("p1, p2") != std::string::npos);
}

TEST_CASE("an uplink that leads nowhere, and one on a port that is not there") {
  auto design = good();
  design["switches"][1]["uplinks"][0]["to"] = "sw-nowhere";
  CHECK(only_fault(design, "/switches/1/uplinks/0/to").what.find("sw-nowhere") != std::string::npos);
  design = good();
  design["switches"][1]["uplinks"][0]["port"] = "up9";
  only_fault(design, "/switches/1/uplinks/0/port");
}

TEST_CASE("a speed that Ethernet does not have") {
  auto design = good();
  design["cameras"][0]["link_speed_mbps"] = 150;
  CHECK(only_fault(design, "/cameras/0/link_speed_mbps").right.find("1000") != std::string::npos);
}

TEST_CASE("an unknown key is told with the nearest known one, at the key") {
  auto design = good();
  design["cameras"][0]["hardware_adress"] = "02:00:5e:10:00:31";
  const auto fault = only_fault(design, "/cameras/0/hardware_adress");
  CHECK(fault.right == "the nearest known key is “hardware_address”");
  CHECK(fault.column == 7);  // of the key itself, in a file written with two blanks a level
}

TEST_CASE("a stream, and streams together, that could never fit their port") {
  auto design = good();
  design["cameras"][1]["heads"][0]["streams"][0]["bit_rate_kbps"] = 150'000;
  const auto faults = faults_of(design);
  REQUIRE(faults.size() == 2);
  CHECK(faults[0].what.find("could never fit its port of 100 Mbit/s") != std::string::npos);
  design = good();
  design["cameras"][1]["heads"][0]["streams"][0]["bit_rate_kbps"] = 60'000;
  design["cameras"][1]["heads"][0]["streams"][1]["bit_rate_kbps"] = 60'000;
  CHECK(only_fault(design, "/cameras/1/heads").what.find("together") != std::string::npos);
}

TEST_CASE("wrong types, values out of range, words that are none of the choice") {
  auto design = good();
  design["cameras"][0]["heads"][0]["streams"][0]["frame_rate_hz"] = "fast";
  CHECK(faults_of(design).size() == 1);
  design = good();
  design["cameras"][0]["power_class"] = 9;
  only_fault(design, "/cameras/0/power_class");
  design = good();
  design["cameras"][0]["heads"][0]["streams"][0]["codec"] = "H266";
  CHECK(only_fault(design, "/cameras/0/heads/0/streams/0/codec").right.find("H264, H265, JPEG") != std::string::npos);
  design = good();
  design["limits"]["uplink_ceiling_ratio"] = 1.5;
  only_fault(design, "/limits/uplink_ceiling_ratio");
}

TEST_CASE("addresses: malformed, used twice, or a camera that nothing identifies") {
  auto design = good();
  design["cameras"][0]["address"] = "198.51.100.300";
  only_fault(design, "/cameras/0/address");
  design = good();
  design["cameras"][1]["address"] = design["cameras"][0]["address"];
  only_fault(design, "/cameras/1/address");
  design = good();
  design["cameras"][1]["hardware_address"] = design["cameras"][0]["hardware_address"];
  only_fault(design, "/cameras/1/hardware_address");
  design = good();
  design["cameras"][0]["hardware_address"] = "02:00:5e";
  only_fault(design, "/cameras/0/hardware_address");
  design = good();
  design["cameras"][0].erase("hardware_address");
  design["cameras"][0].erase("serial");
  only_fault(design, "/cameras/0/hardware_address");
}

TEST_CASE("streams, switches and times that are not there") {
  auto design = good();
  design["recorders"][0]["volumes"][0]["streams"][0] = "nobody/1/main";
  only_fault(design, "/recorders/0/volumes/0/streams/0");
  design = good();
  design["cameras"][0]["switch"] = "sw-gone";
  CHECK(only_fault(design, "/cameras/0/switch").right.find("sw-hall, sw-yard") != std::string::npos);
  design = good();
  design["nightly_at"] = "25:00";
  only_fault(design, "/nightly_at");
  design = good();
  design.erase("site");
  CHECK(faults_of(design).size() == 1);
}

TEST_CASE("every fault is told at once, in the order of the file") {
  auto design = good();
  design["cameras"][0]["link_speed_mbps"] = 150;
  design["cameras"][2]["power_class"] = 12;
  design["switches"][0]["address"] = "nowhere";
  design["nightly_at"] = "late";
  const auto faults = faults_of(design);
  CHECK(faults.size() == 4);
  for (std::size_t i = 1; i < faults.size(); ++i) CHECK(faults[i - 1].line <= faults[i].line);
}

TEST_CASE("what is no JSON is told with line and column") {
  const auto comma = parse_design("{\n  \"format\": 1,\n  \"site\": {\"name\": \"x\"}\n  \"switches\": []\n}", "x.json");
  REQUIRE(comma.faults.size() == 1);
  CHECK(comma.faults[0].line == 4);
  CHECK(comma.faults[0].column == 3);
  CHECK(parse_design("", "x.json").faults.size() == 1);
  CHECK(parse_design("{\"a\": [1, 2", "x.json").faults[0].what == "the file ends in the middle");
  CHECK_FALSE(parse_design("[]", "x.json").design);
  CHECK_FALSE(parse_design(std::string(100'000, '['), "x.json").design);
  CHECK_FALSE(load_design("/nowhere/site.json").design);
}

TEST_CASE("a key that stands twice is told, since one of them would be lost in silence") {
  const auto twice = parse_design("{\n \"format\": 1,\n \"format\": 1}", "x.json");
  bool told = false;
  for (const auto& f : twice.faults) told = told || f.what.find("stands here twice") != std::string::npos;
  CHECK(told);
}

TEST_CASE("a design cut off anywhere is refused without harm") {
  const auto text = good().dump(1);
  for (std::size_t length = 0; length < text.size(); length += 97) CHECK_FALSE(parse_design(text.substr(0, length), "x.json").design);
}

TEST_CASE("settings: defaults, unknown keys, and a door that lacks its lock") {
  CHECK(parse_settings("{}", "s.json").faults.empty());
  CHECK(parse_settings("{}", "s.json").settings.loopback_tcp_port == 7860);
  CHECK(parse_settings("{\"interface\": []}", "s.json").faults.at(0).right.find("interfaces") != std::string::npos);
  // Beyond loopback only with TLS and a token: all three must be there.
  CHECK(parse_settings("{\"open_door\": {\"address\": \"192.0.2.1\", \"tcp_port\": 7443}}", "s.json").faults.size() == 3);
  const auto far = parse_settings("{\"far_end\": {\"address\": \"192.0.2.1\", \"key_secret\": \"k\", \"volumes\": {\"main\": \"/srv\"}}}", "s.json");
  CHECK(far.faults.empty());
  CHECK(far.settings.far_end->volumes.at("main") == "/srv");
  CHECK(far.settings.far_end->plain_reflector_port == 0);
  const auto plain = [](const std::string& rest) {
    return parse_settings("{\"far_end\": {\"address\": \"192.0.2.1\", \"key_secret\": \"k\", " + rest + "}}", "s.json");
  };
  const auto both = plain("\"plain_reflector_port\": 8620, \"plain_reflector_for\": [\"192.0.2.7\", \"2001:db8::7\"]");
  CHECK(both.faults.empty());
  CHECK(both.settings.far_end->plain_reflector_for == std::vector<std::string>{"192.0.2.7", "2001:db8::7"});
  CHECK(plain("\"plain_reflector_port\": 8620").faults.size() == 1);
  CHECK(plain("\"plain_reflector_for\": [\"192.0.2.7\"]").faults.size() == 1);
  CHECK(plain("\"plain_reflector_port\": 8620, \"plain_reflector_for\": [\"depot.example\"]").faults.size() == 1);
}

TEST_CASE("settings: taps to be held, with what is wrong at its place") {
  CHECK_FALSE(parse_settings("{}", "s.json").settings.tap);
  const auto held = parse_settings("{\"tap\": {\"interfaces\": [\"mirror0\", \"mirror1\"], \"interval_s\": 300}}", "s.json");
  CHECK(held.faults.empty());
  REQUIRE(held.settings.tap.has_value());
  CHECK(held.settings.tap->interfaces == std::vector<std::string>{"mirror0", "mirror1"});
  CHECK(held.settings.tap->interval_s == 300);
  CHECK(parse_settings("{\"tap\": {\"interfaces\": [\"mirror0\"]}}", "s.json").settings.tap->interval_s == 60);
  const auto fault_of = [](const char* tap) {
    const auto faults = parse_settings(std::string("{\"tap\": ") + tap + "}", "s.json").faults;
    REQUIRE(faults.size() == 1);
    return faults[0].pointer;
  };
  CHECK(fault_of("{}") == "/tap/interfaces");
  CHECK(fault_of("{\"interfaces\": []}") == "/tap/interfaces");
  CHECK(fault_of("{\"interfaces\": [7]}") == "/tap/interfaces/0");
  CHECK(fault_of("{\"interfaces\": [\"a\", \"b\", \"a\"]}") == "/tap/interfaces/2");
  CHECK(fault_of("{\"interfaces\": [\"a-name-of-16-oct\"]}") == "/tap/interfaces/0");  // if.h: IFNAMSIZ is 16
  CHECK(fault_of("{\"interfaces\": [\"a\"], \"interval_s\": 1}") == "/tap/interval_s");
  CHECK(fault_of("{\"interfaces\": [\"a\"], \"interval\": 60}") == "/tap/interval");
}

TEST_CASE("settings: how often switches are looked at") {
  const auto parsed = [](const char* value) { return parse_settings(std::string("{\"switch_looks_s\": ") + value + "}", "s.json"); };
  CHECK(parse_settings("{}", "s.json").settings.switch_looks_s == 60);
  for (const auto& [text, seconds] : {std::pair{"0", 0}, std::pair{"10", 10}, std::pair{"3600", 3600}}) {
    CHECK(parsed(text).faults.empty());
    CHECK(parsed(text).settings.switch_looks_s == seconds);
  }
  for (const char* wrong : {"1", "9", "3601", "-1", "\"60\""}) {
    CAPTURE(wrong);
    REQUIRE(parsed(wrong).faults.size() == 1);
    CHECK(parsed(wrong).faults[0].pointer == "/switch_looks_s");
  }
}

TEST_CASE("a directory, a device without end and a file that is not there are told, not read") {
  for (const auto& [path, part] : {std::pair{"/tmp", "directory"}, std::pair{"/dev/zero", "larger than 32 MiB"},
                                   std::pair{"/nowhere/site.json", "cannot be read"}}) {
    const auto loaded = load_design(path);
    REQUIRE(loaded.faults.size() == 1);
    CHECK(loaded.faults[0].what.find(part) != std::string::npos);
    CHECK_FALSE(loaded.design);
  }
}
