#include "config/importer.hpp"

#include "config/loader.hpp"

#include <catch2/catch.hpp>

#include <algorithm>

using namespace tallywire::config;

namespace {

const std::string header = "camera,place,switch,port,address,hardware_address,link_mbps,head,stream,codec,width_px,height_px,frames_per_s,kbit_per_s\n";
const std::string row = "gate,Gate,sw1,p1,198.51.100.31,02:00:5e:10:00:31,1000,1,main,H264,1920,1080,25,4000\n";

}  // namespace

TEST_CASE("one row a stream makes cameras, heads and streams") {
  const auto result = import_schedule(header + row +
                                      "gate,Gate,sw1,p1,198.51.100.31,02:00:5e:10:00:31,1000,1,view,H264,640,360,10,500\n"
                                      "gate,Gate,sw1,p1,198.51.100.31,02:00:5e:10:00:31,1000,2,main,H265,1920,1080,25,2500\n"
                                      "yard,Yard,sw2,p4,198.51.100.32,02:00:5e:10:00:32,100,1,main,H264,1280,720,12.5,2000\n");
  CHECK(result.refused.empty());
  REQUIRE(result.design.at("cameras").size() == 2);
  CHECK(result.design["cameras"][0]["heads"].size() == 2);
  CHECK(result.design["cameras"][0]["heads"][0]["streams"].size() == 2);
  CHECK(result.design["switches"].size() == 2);
}

TEST_CASE("what spreadsheets write is read: BOM, semicolons, tabs, CRLF, quotes, decimal commas") {
  auto text = header + "\"gate\",\"Gate, \"\"north\"\"\",sw1,p1,198.51.100.31,02:00:5e:10:00:31,1000,1,main,H264,1920,1080,25,4000\n";
  const auto quoted = import_schedule("\xef\xbb\xbf" + text);
  CHECK(quoted.refused.empty());
  CHECK(quoted.design["cameras"][0]["place"] == "Gate, \"north\"");
  for (const char separator : {';', '\t'}) {
    auto other = header + row;
    std::replace(other.begin(), other.end(), ',', separator);
    const auto at = other.find(std::string(1, separator) + "25" + separator);
    other.replace(at, 4, std::string(1, separator) + "12,5" + separator);
    std::string crlf;
    for (const char c : other) crlf += c == '\n' ? std::string("\r\n") : std::string(1, c);
    const auto result = import_schedule(crlf);
    CHECK(result.refused.empty());
    CHECK(result.design["cameras"][0]["heads"][0]["streams"][0]["frame_rate_hz"] == 12.5);
  }
}

TEST_CASE("a cell that holds a line break keeps the line numbers right") {
  const auto result = import_schedule(header + "gate,\"two\nlines\",sw1,p1,198.51.100.31,,1000,1,main,H264,1920,1080,25,4000\n" +
                                      "bad,,sw1,p2,198.51.100.32,,fast,1,main,H264,1920,1080,25,4000\n");
  REQUIRE(result.refused.size() == 1);
  CHECK(result.refused[0].line == 4);
  CHECK(result.refused[0].what.find("link_mbps is no number") != std::string::npos);
}

TEST_CASE("every row that cannot be taken is named, the others are taken") {
  const auto result = import_schedule(header + row + ",,sw1,p2,198.51.100.32,,100,1,main,H264,1,1,1,1\n" +  // no camera
                                      row +                                                                 // the same stream again
                                      "gate,,sw1,p9,198.51.100.31,,1000,3,main,H264,1920,1080,25,4000\n");  // another port
  CHECK(result.refused.size() == 3);
  CHECK(result.refused[0].line == 3);
  CHECK(result.refused[1].line == 4);
  CHECK(result.refused[2].line == 5);
  CHECK(result.design["cameras"].size() == 1);
}

TEST_CASE("serial number and firmware of a schedule are taken as they stand") {
  const auto result = import_schedule("serial,firmware," + header + "TD-0031,07.2," + row);
  CHECK(result.refused.empty());
  CHECK(result.design["cameras"][0]["serial"] == "TD-0031");
  CHECK(result.design["cameras"][0]["firmware"] == "07.2");  // a word: its zero stays
}

TEST_CASE("a schedule without its columns, and an empty one, are refused with what is missing") {
  CHECK(import_schedule("a,b\n1,2\n").refused.at(0).what.find("camera") != std::string::npos);
  CHECK(import_schedule("").design.is_null());
  CHECK(import_schedule("\n\n").design.is_null());
}

TEST_CASE("an imported design lacks only what a schedule does not hold") {
  const auto imported = import_schedule(header + row).design;
  const auto faults = parse_design(imported.dump(2), "imported.json").faults;
  for (const auto& fault : faults) CHECK(fault.pointer == "/switches/0/address");
}
