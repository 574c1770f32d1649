#include "daemon/verdict/words.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <limits>

using namespace tallywire::verdict;

TEST_CASE("a value is spoken with the unit that its quantity's name ends in (SI prefixes, IEC 80000-13: k is 1000)") {
  CHECK(spoken_value("payload_bps", 41'234'000) == "41.23 Mbit/s");
  CHECK(spoken_value("link_speed_bps", 1e8) == "100 Mbit/s");
  CHECK(spoken_value("link_speed_bps", 1e9) == "1 Gbit/s");
  CHECK(spoken_value("sustained_write_bytes_per_s", 299'435) == "299.4 kB/s");
  CHECK(spoken_value("written_bytes", 256e9) == "256 GB");
  CHECK(spoken_value("frame_rate_hz", 25) == "25 frames/s");
  CHECK(spoken_value("loss_ratio", 0.001) == "0.1 %");
  CHECK(spoken_value("jitter_ms", 0.25) == "0.25 ms");
  CHECK(spoken_value("clock_offset_s", 540.07) == "9 min 0 s");
  CHECK(spoken_value("width_px", 1920) == "1920 pixels");
  CHECK(spoken_value("codec", "H264") == "H264");
  CHECK(spoken_value("power_class", 4) == "4");
  CHECK(spoken_value("anything_bps", nullptr) == "unread");
}

TEST_CASE("a prefix steps up where four digits would not hold the figure") {
  CHECK(spoken_bit_rate(999) == "999 bit/s");
  CHECK(spoken_bit_rate(999.96) == "1 kbit/s");
  CHECK(spoken_bit_rate(0) == "0 bit/s");
  CHECK(spoken_bit_rate(-2.5e6) == "-2.5 Mbit/s");
  CHECK(spoken_bytes(1e18) == "1e+06 TB");  // beyond the last prefix it stays a number
}

TEST_CASE("durations of every size, and the other way") {
  CHECK(spoken_duration(0.5) == "0.5 s");
  CHECK(spoken_duration(61) == "1 min 1 s");
  CHECK(spoken_duration(3600) == "1 h 0 min");
  CHECK(spoken_duration(-540) == "-9 min 0 s");
}

TEST_CASE("quantities and subjects in words") {
  CHECK(spoken_quantity("frame_rate_hz") == "frame rate");
  CHECK(spoken_quantity("sustained_write_bytes_per_s") == "sustained write");
  CHECK(spoken_quantity("port") == "port");
  CHECK(spoken_subject("camera/gate-north/head/1/stream/main") == "gate-north, head 1, stream main");
  CHECK(spoken_subject("switch/sw-yard/uplink/up") == "switch sw-yard, uplink up");
  CHECK(spoken_subject("") == "");
}

TEST_CASE("a value that is no finite number ends nothing") {
  CHECK_FALSE(spoken_value("payload_bps", std::numeric_limits<double>::infinity()).empty());
  CHECK_FALSE(spoken_value("clock_offset_s", std::numeric_limits<double>::quiet_NaN()).empty());
}

TEST_CASE("decimal and binary octets are told apart") {
  // Check-values section 15 (IEC 80000-13): 64 GB are 59.60 GiB, 256 GB 238.42 GiB, 4 TB 3.638 TiB, 48 TB 43.66 TiB.
  CHECK(spoken_bytes_twice(64e9) == "64 GB (59.6 GiB)");
  CHECK(spoken_bytes_twice(256e9) == "256 GB (238.4 GiB)");
  CHECK(spoken_bytes_twice(4e12) == "4 TB (3.638 TiB)");
  CHECK(spoken_bytes_twice(48e12) == "48 TB (43.66 TiB)");
  CHECK(spoken_bytes_twice(512) == "512 B");
}
