#include "probes/wire/capture_format.hpp"
#include "tests/tap/capture_read.hpp"

#include <catch2/catch.hpp>
#include <pcap/pcap.h>

#include <cmath>
#include <limits>

using namespace tallywire;
using namespace tallywire::test;
using wire::LinkLayer;

namespace {

constexpr std::uint32_t microseconds = 0xa1b2c3d4, nanoseconds = 0xa1b23c4d, modified = 0xa1b2cd34;

// What libpcap makes of the same file.
std::vector<Caught> by_libpcap(const std::string& path) {
  char text[PCAP_ERRBUF_SIZE] = {};
  pcap_t* file = pcap_open_offline_with_tstamp_precision(path.c_str(), PCAP_TSTAMP_PRECISION_NANO, text);
  INFO(text);
  REQUIRE(file);
  std::vector<Caught> out;
  pcap_pkthdr* head = nullptr;
  const u_char* octets = nullptr;
  int result = 0;
  while ((result = pcap_next_ex(file, &head, &octets)) == 1) {
    out.push_back({Bytes(octets, octets + head->caplen), head->len,
                   std::int64_t{head->ts.tv_sec} * 1'000'000'000 + head->ts.tv_usec, LinkLayer::ethernet});
  }
  CHECK(result == PCAP_ERROR_BREAK);  // the end of the file
  pcap_close(file);
  return out;
}

void check_against_libpcap(const Bytes& octets, std::size_t frames) {
  const FileOf file(octets);
  const auto ours = read_capture(file.path);
  REQUIRE_FALSE(ours.refused.has_value());
  CHECK_FALSE(ours.damage.has_value());
  const auto theirs = by_libpcap(file.path);
  CHECK(theirs.size() == frames);
  REQUIRE(ours.frames.size() == theirs.size());
  for (std::size_t i = 0; i < theirs.size(); ++i) {
    INFO("frame " << i);
    CHECK(ours.frames[i] == theirs[i]);
  }
}

// Lengths around everything that could go wrong: nothing, odd, a usual one, the largest there is.
const std::vector<std::size_t> lengths = {60, 0, 1, 61, 1514, 9000, 262'144, 3, 1400, 1400, 262'143, 64};

}  // namespace

TEST_CASE("a pcap in both byte orders and resolutions reads as libpcap reads it") {
  for (const bool big : {false, true}) {
    for (const auto magic : {microseconds, nanoseconds, modified}) {
      CaptureBytes file(big);
      file.pcap_header(magic, 1);
      std::uint32_t second = 1'700'000'000, part = 999'999;
      std::size_t frames = 0;
      for (int round = 0; round < 20; ++round) {
        for (const auto length : lengths) {
          if (length > 10'000 && round > 2) continue;
          const auto frame = frame_of(length, static_cast<unsigned>(++frames));
          file.pcap_record(second++, part--, frame, static_cast<std::uint32_t>(length + frames % 3 * 1000),
                           magic == modified ? 8 : 0);
        }
      }
      INFO((big ? "big" : "little") << " endian, magic " << std::hex << magic);
      check_against_libpcap(file.out, frames);
    }
  }
}

TEST_CASE("a pcap that libpcap wrote reads as libpcap reads it") {
  const FileOf file({});
  pcap_t* dead = pcap_open_dead_with_tstamp_precision(DLT_EN10MB, 65535, PCAP_TSTAMP_PRECISION_NANO);
  pcap_dumper_t* out = pcap_dump_open(dead, file.path.c_str());
  REQUIRE(out);
  for (unsigned i = 0; i < 1000; ++i) {
    const auto frame = frame_of(60 + i, i);
    pcap_pkthdr head{};
    head.ts.tv_sec = 1'700'000'000 + i;
    head.ts.tv_usec = 999'999'999 - i;  // nanoseconds in this form of the file
    head.caplen = static_cast<bpf_u_int32>(frame.size());
    head.len = head.caplen + i % 2;
    pcap_dump(reinterpret_cast<u_char*>(out), &head, frame.data());
  }
  pcap_dump_close(out);
  pcap_close(dead);
  const auto ours = read_capture(file.path);
  CHECK(ours.frames == by_libpcap(file.path));
  CHECK(ours.frames.size() == 1000);
  CHECK(ours.format == "pcap, nanoseconds");
}

TEST_CASE("pcapng in both byte orders, with every kind of packet block, reads as libpcap reads it") {
  for (const bool big : {false, true}) {
    CaptureBytes file(big);
    file.section();
    file.block(0x0bad0001, frame_of(301, 1));                      // nobody knows it
    file.interface(1, 262'144, file.option(2, 0x65746830, 4));     // if_name
    file.block(4, frame_of(44, 2));                                // names (§4.5)
    std::size_t frames = 0;
    for (const auto length : lengths) {
      const auto frame = frame_of(length, static_cast<unsigned>(++frames));
      const auto original = static_cast<std::uint32_t>(length + 7);
      file.enhanced(0, 1'700'000'000'123'456 + frames, frame, original);
      file.enhanced(0, 1'700'000'001'123'456 + frames, frame, original, file.option(2, 1, 4));
      file.obsolete(0, 0xffff, 1'700'000'002'123'456 + frames, frame, original);
      if (length > 0) file.simple(frame, static_cast<std::uint32_t>(length));
      file.block(5, Bytes(12));
      frames += length > 0 ? 3 : 2;
    }
    file.block(0x80000001, frame_of(700'000, 3));  // larger than any block that is looked into
    file.enhanced(0, 1, frame_of(99, 4), 99);
    INFO((big ? "big" : "little") << " endian");
    check_against_libpcap(file.out, frames + 1);
  }
}

TEST_CASE("sections of different byte order follow each other in one file") {
  // libpcap takes a second section only in the byte order of the first: each half is compared by itself.
  Bytes both;
  std::vector<Caught> expected;
  for (const bool big : {true, false}) {
    CaptureBytes file(big);
    file.section();
    file.interface(1, 0x40000, file.option(9, big ? 9 : 6, 1));
    for (unsigned i = 0; i < 10; ++i) file.enhanced(0, 1'700'000'000'000'000 + i, frame_of(70 + i, i), 70 + i);
    const FileOf half(file.out);
    const auto theirs = by_libpcap(half.path);
    expected.insert(expected.end(), theirs.begin(), theirs.end());
    both.insert(both.end(), file.out.begin(), file.out.end());
  }
  const auto ours = read_capture(both);
  CHECK_FALSE(ours.damage.has_value());
  CHECK(ours.frames == expected);
  CHECK(ours.frames.size() == 20);
}

TEST_CASE("time stamps of every resolution and offset read as libpcap reads them") {
  for (const int resolution : {0, 3, 6, 9, 12, 18, 0x80 | 0, 0x80 | 10, 0x80 | 20, 0x80 | 30, 0x80 | 33}) {
    for (const std::int64_t offset : {std::int64_t{0}, std::int64_t{1'600'000'000}, std::int64_t{-1}}) {
      CaptureBytes file;
      file.section();
      auto options = file.option(9, static_cast<std::uint64_t>(resolution), 1);
      const auto more = file.option(14, static_cast<std::uint64_t>(offset), 8);
      options.insert(options.end(), more.begin(), more.end());
      file.interface(1, 0x40000, options);
      std::size_t frames = 0;
      // Ticks of some 40 seconds, in any resolution; a little apart, so that rounding shows.
      const double a_second = resolution & 0x80 ? static_cast<double>(std::uint64_t{1} << (resolution & 0x7f))
                                                : std::pow(10.0, resolution);
      for (const double seconds : {2.0, 3.0, 39.0}) {
        for (const auto apart : {0u, 1u, 777u}) {
          file.enhanced(0, static_cast<std::uint64_t>(seconds * std::min(a_second, 1e17)) + apart, frame_of(60, apart), 60);
          ++frames;
        }
      }
      INFO("if_tsresol " << resolution << ", if_tsoffset " << offset);
      check_against_libpcap(file.out, frames);
    }
  }
}

TEST_CASE("times that 64 bits of nanoseconds cannot tell are held at the ends") {
  constexpr auto latest = std::numeric_limits<std::int64_t>::max();
  constexpr auto earliest = std::numeric_limits<std::int64_t>::min();
  CHECK(wire::TickLength(6, 0).nanoseconds(~std::uint64_t{0}) == latest);
  CHECK(wire::TickLength(0, 0).nanoseconds(~std::uint64_t{0}) == latest);
  CHECK(wire::TickLength(0x80, latest).nanoseconds(~std::uint64_t{0}) == latest);
  CHECK(wire::TickLength(6, earliest).nanoseconds(0) == earliest);
  CHECK(wire::TickLength(6, latest).nanoseconds(0) == latest);
  CHECK(wire::TickLength(9, 9'223'372'036).nanoseconds(854'775'808) == latest);
  CHECK(wire::TickLength(9, 9'223'372'036).nanoseconds(854'775'806) == latest - 1);
  CHECK(wire::TickLength(0x7f, 5).nanoseconds(~std::uint64_t{0}) == 5'000'000'000);
  CHECK(wire::TickLength(0xff, 5).nanoseconds(~std::uint64_t{0}) == 5'000'000'000);
  // Half of 2^64 ticks of 2^-64 s is half a second; exact, where floating point is not.
  CHECK(wire::TickLength(0x80 | 64, 0).nanoseconds(std::uint64_t{1} << 63) == 500'000'000);
}

TEST_CASE("the frame check sequence is no part of the frame, where the file tells of it") {
  const auto frame = frame_of(64, 1);
  CaptureBytes pcap;
  // Two 16-bit words of FCS, and the bit that says so: draft-ietf-opsawg-pcap §4.
  pcap.pcap_header(microseconds, 0x24000001);
  pcap.pcap_record(1, 0, frame, 64);
  pcap.pcap_record(2, 0, frame_of(62, 1), 64);  // cut in the middle of the FCS
  pcap.pcap_record(3, 0, frame_of(20, 1), 64);  // cut before it
  CaptureBytes without;
  without.pcap_header(microseconds, 0x20000001);  // a length, but not the bit: not told
  without.pcap_record(1, 0, frame, 64);
  for (const auto& caught : read_capture(pcap.out).frames) {
    CHECK(caught.original_octets == 60);
    CHECK(caught.link == LinkLayer::ethernet);
    CHECK(caught.octets == frame_of(caught.when_ns == 3'000'000'000 ? 20 : 60, 1));
  }
  CHECK(read_capture(without.out).frames.at(0).octets == frame);

  CaptureBytes ng;
  ng.section();
  ng.interface(1, 0, ng.option(13, 4, 1));    // if_fcslen: the draft's own example
  ng.interface(1, 0, ng.option(13, 32, 1));   // the same in bits, as its text has it
  ng.interface(1, 0);
  ng.enhanced(0, 1, frame, 64);
  ng.enhanced(1, 1, frame, 64);
  ng.enhanced(2, 1, frame, 64, ng.option(2, 4 << 5, 4));  // epb_flags: FCS length in bits 5 to 8
  ng.enhanced(2, 1, frame, 64);
  const auto read = read_capture(ng.out);
  REQUIRE(read.frames.size() == 4);
  for (const auto i : {0u, 1u, 2u}) CHECK((read.frames[i].octets.size() == 60 && read.frames[i].original_octets == 60));
  CHECK(read.frames[3].octets == frame);
}

TEST_CASE("each interface has its link layer; those that are not known are named once") {
  CaptureBytes file;
  file.section();
  for (const auto link : {1, 113, 276, 101, 0, 147, 189}) file.interface(static_cast<std::uint16_t>(link), 0);
  for (const auto id : {6, 5, 5, 4, 3, 2, 1, 0}) file.enhanced(static_cast<std::uint32_t>(id), 1, frame_of(40, 1), 40);
  const auto read = read_capture(file.out);
  std::vector<LinkLayer> links;
  for (const auto& caught : read.frames) links.push_back(caught.link);
  CHECK(links == std::vector{LinkLayer::unknown, LinkLayer::unknown, LinkLayer::unknown, LinkLayer::null_loopback,
                             LinkLayer::raw_ip, LinkLayer::linux_cooked_v2, LinkLayer::linux_cooked,
                             LinkLayer::ethernet});
  CHECK(read.unknown_links == std::vector<std::uint32_t>{189, 147});  // USB, and one for private use
}

TEST_CASE("what the capture lost is told: the last statistics of each interface, or what stands between its frames") {
  CaptureBytes file;
  for (int section = 0; section < 2; ++section) {
    file.section();
    file.interface(1, 0);
    file.interface(1, 0);
    const auto statistics = [&](std::uint32_t interface, std::uint64_t by_interface, std::uint64_t by_system) {
      auto options = file.option(5, by_interface, 8);
      const auto more = file.option(7, by_system, 8);
      options.insert(options.end(), more.begin(), more.end());
      file.statistics(interface, options);
    };
    statistics(0, 5, 10);
    statistics(0, 7, 30);  // counts since the capture began
    file.enhanced(1, 1, frame_of(60, 1), 60, file.option(4, 100, 8));  // epb_dropcount
    file.obsolete(1, 11, 1, frame_of(60, 1), 60);
    file.obsolete(1, 0xffff, 1, frame_of(60, 1), 60);  // "not available"
    statistics(9, 1000, 1000);                           // of no interface
  }
  const auto read = read_capture(file.out);
  CHECK(read.frames.size() == 6);
  CHECK(read.loss.by_interface == 14);
  CHECK(read.loss.by_kernel == 2 * (30 + 111));
}

TEST_CASE("an original length below the captured one is raised to it") {
  CaptureBytes file;
  file.pcap_header(microseconds, 1);
  file.pcap_record(1, 0, frame_of(60, 1), 10);
  CHECK(read_capture(file.out).frames.at(0).original_octets == 60);
}
