// Texts of a design stand on pages, in logs and on sheets: what nobody sees, or what turns the reading order, is a fault.
// Control characters: Unicode, category Cc (C0, delete, C1). Turning ones: Unicode UAX 9, section 2.
#include "config/importer.hpp"
#include "config/loader.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <fstream>

using namespace tallywire::config;
using nlohmann::json;

namespace {

json good() {
  std::ifstream in(std::string(TALLYWIRE_SOURCE_DIR) + "/config/sites/tram-depot.json");
  return json::parse(in);
}

std::vector<DesignFault> faults_of(const char* pointer, const std::string& text) {
  auto design = good();
  design[json::json_pointer(pointer)] = text;
  return parse_design(design.dump(2), "site.json").faults;
}

}  // namespace

TEST_CASE("a text of a design that is not seen whole is a fault where it stands") {
  for (const char* pointer : {"/site/name", "/site/place", "/switches/0/place", "/cameras/1/place", "/cameras/0/heads/0/view"}) {
    for (const char* wrong : {"a\tb", "a\nb", "\x1b[31mred", "a\x7f", "a\xc2\x85", "a\xc2\x9b" "2J", "a\xe2\x80\xaa", "a\xe2\x80\xae" "b", "\xe2\x81\xa6" "a",
                              "\xe2\x81\xa9"}) {
      const auto faults = faults_of(pointer, wrong);
      REQUIRE(faults.size() == 1);
      CHECK(faults[0].pointer == pointer);
      CHECK(faults[0].line > 1);
      CHECK(faults[0].what == "the text holds a character that is not seen");
      CHECK(faults[0].right.find("300 octets") != std::string::npos);
      CHECK(faults[0].sentence().find(wrong) == std::string::npos);
    }
    // Neighbours of those: no-break space, U+2029 and U+202F, U+2065 and U+206A; umlauts, other scripts.
    for (const char* right : {"Größe 中 א", "a\xc2\xa0" "b", "a\xe2\x80\xa9", "a\xe2\x80\xaf" "b", "a\xe2\x81\xa5", "a\xe2\x81\xaa", "a\xe3\x80\xaa"})
      CHECK(faults_of(pointer, right).empty());
    CHECK(faults_of(pointer, std::string(300, 'x')).empty());
    const auto longer = faults_of(pointer, std::string(301, 'x'));
    REQUIRE(longer.size() == 1);
    CHECK(longer[0].what == "the text is longer than 300 octets");
  }
}

TEST_CASE("what a fault quotes cannot turn a terminal's colours") {
  auto design = good();
  design["cameras"][0]["id"] = "gate\x1b[31m";
  design["site"]["na\x1bme"] = "x";
  const auto faults = parse_design(design.dump(), "site.json").faults;
  CHECK(faults.size() >= 3);
  for (const auto& fault : faults) CHECK(fault.sentence().find('\x1b') == std::string::npos);
}

TEST_CASE("a schedule with ids or texts that no design may have is refused by the row") {
  const std::string header = "camera,place,switch,port,address,hardware_address,link_mbps,head,stream,codec,width_px,height_px,frames_per_s,kbit_per_s\n";
  const auto row = [&header](const std::string& camera, const std::string& place, const std::string& sw, const std::string& head, const std::string& stream) {
    return import_schedule(header + camera + "," + place + "," + sw + ",p1,198.51.100.31,02:00:5e:10:00:31,1000," + head + "," + stream + ",H264,1920,1080,25,4000\n");
  };
  CHECK(row("gate", "Gate", "sw", "1", "main").refused.empty());
  const auto refused = [](const ImportResult& result, const std::string& what) {
    REQUIRE(result.refused.size() == 1);
    CHECK(result.refused[0].line == 2);
    CHECK(result.refused[0].what.find(what) != std::string::npos);
    CHECK(result.design.is_null());
  };
  refused(row("=cmd|1", "Gate", "sw", "1", "main"), "camera “=cmd|1” has a character that ids may not have");
  refused(row("gate", "Gate", "s w", "1", "main"), "switch “s w”");
  refused(row("gate", "Gate", "sw", "1/2", "main"), "head “1/2”");
  refused(row("gate", "Gate", "sw", "1", "../main"), "stream “../main”");
  refused(row("gate", "Gate\xe2\x80\xae", "sw", "1", "main"), "place holds a character that is not seen");
  refused(row("gate\x1b", "Gate", "sw", "1", "main"), "camera holds a character that is not seen");
  refused(row("gate", std::string(301, 'x'), "sw", "1", "main"), "place is longer than 300 octets");
  CHECK(row("gate", "\"two\nlines\"", "sw", "1", "main").design.at("cameras")[0].at("place") == "two lines");
}
