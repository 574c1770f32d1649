#include "probes/arrivals/listener.hpp"
#include "tests/support/hex.hpp"

#include <catch2/catch.hpp>
#include <pcap/pcap.h>

#include <unistd.h>

#include <filesystem>
#include <random>

using namespace tallywire;
using namespace tallywire::arrivals;
using tallywire::test::from_hex;

namespace {

// The ARP probe of RFC 5227 §1.1 and the mandatory TLVs of IEEE 802.1AB §8.5: check-values sections 9 and 12.
const char* const probe = "ffffffffffff 020000000001 0806 0001 0800 06 04 0001 020000000001 00000000 000000000000 c000020a";
const char* const lldp = "0180c200000e 020000000001 88cc 0207 04 020000000001 0406 05 706f727437 0602 0078 0000";
const char* const other = "ffffffffffff 020000000001 0800 45000014";

// A capture written by libpcap itself, link type as given.
struct CaptureFile {
  std::string path = std::filesystem::temp_directory_path() / ("tallywire-capture-" + std::to_string(::getpid()));

  CaptureFile(int link_type, const std::vector<std::vector<std::uint8_t>>& frames) {
    pcap_t* dead = pcap_open_dead_with_tstamp_precision(link_type, 65535, PCAP_TSTAMP_PRECISION_NANO);
    pcap_dumper_t* out = pcap_dump_open(dead, path.c_str());
    REQUIRE(out);
    long second = 1'000'000'000;
    for (const auto& frame : frames) {
      pcap_pkthdr head{};
      head.ts.tv_sec = second++;
      head.ts.tv_usec = 123'456'789;  // nanoseconds in this form of the file
      head.caplen = head.len = static_cast<bpf_u_int32>(frame.size());
      pcap_dump(reinterpret_cast<u_char*>(out), &head, frame.data());
    }
    pcap_dump_close(out);
    pcap_close(dead);
  }
  ~CaptureFile() { std::filesystem::remove(path); }
};

std::vector<Sighting> seen_in(const std::string& path, Outcome<std::uint64_t>& outcome) {
  std::vector<Sighting> out;
  outcome = Listener::read_file(path, [&](const Sighting& s) { out.push_back(s); });
  return out;
}

}  // namespace

TEST_CASE("a capture file comes in by the same door, with the times at which its frames were caught") {
  const CaptureFile file(DLT_EN10MB, {from_hex(probe), from_hex(other), from_hex(lldp)});
  Outcome<std::uint64_t> frames = 0;
  const auto seen = seen_in(file.path, frames);
  REQUIRE(frames.has_value());
  CHECK(*frames == 3);
  REQUIRE(seen.size() == 2);
  CHECK(seen[0].arp->kind == wire::ArpKind::probe);
  CHECK(seen[1].lldp->port_id == "port7");
  CHECK(seen[0].when.time_since_epoch() == std::chrono::seconds(1'000'000'000) + std::chrono::nanoseconds(123'456'789));
  CHECK(seen[1].when - seen[0].when == std::chrono::seconds(2));
}

TEST_CASE("a capture cut off in a frame is read up to the damage, and says so") {
  const CaptureFile file(DLT_EN10MB, {from_hex(probe), from_hex(probe), from_hex(lldp)});
  std::filesystem::resize_file(file.path, std::filesystem::file_size(file.path) - 5);
  Outcome<std::uint64_t> frames = 0;
  CHECK(seen_in(file.path, frames).size() == 2);
  REQUIRE_FALSE(frames.has_value());
  CHECK(frames.error().kind == FaultKind::malformed);
  CHECK(frames.error().what.find("after 2 frames") != std::string::npos);
}

TEST_CASE("a capture of another link type is refused, not read as Ethernet") {
  const CaptureFile file(DLT_LINUX_SLL, {from_hex(probe)});
  Outcome<std::uint64_t> frames = 0;
  CHECK(seen_in(file.path, frames).empty());
  REQUIRE_FALSE(frames.has_value());
  CHECK(frames.error().kind == FaultKind::unsupported);
}

TEST_CASE("what is no capture is told as such") {
  Outcome<std::uint64_t> frames = 0;
  seen_in(TALLYWIRE_SOURCE_DIR "/README.md", frames);
  REQUIRE_FALSE(frames.has_value());
  CHECK(frames.error().kind == FaultKind::bad_request);
  CHECK_FALSE(Listener::read_file("/nowhere/x.pcap", [](const Sighting&) {}).has_value());
}

TEST_CASE("frames of random octets are never a unit by accident, and never read past their end") {
  std::mt19937 random(1);
  for (int n = 0; n < 20'000; ++n) {
    auto frame = from_hex(n % 2 ? probe : lldp);
    frame.resize(random() % (frame.size() + 40));
    for (int changes = static_cast<int>(random() % 8); changes > 0 && !frame.empty(); --changes)
      frame[random() % frame.size()] = static_cast<std::uint8_t>(random());
    const auto seen = sighting_of(frame, SystemTime{});
    if (seen) CHECK((seen->arp.has_value() != seen->lldp.has_value()));
  }
}
