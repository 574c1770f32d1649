// What a capture may be read from, and what is none.
#include "tests/tap/capture_read.hpp"

#include <catch2/catch.hpp>

#include <fcntl.h>
#include <sys/stat.h>

#include <chrono>
#include <thread>

using namespace tallywire;
using namespace tallywire::test;

namespace {
constexpr std::uint32_t microseconds = 0xa1b2c3d4, nanoseconds = 0xa1b23c4d;
}

TEST_CASE("what is no capture is refused, and what it seems to be is told") {
  const auto refusal = [](const Bytes& octets) {
    const auto read = read_capture(octets);
    REQUIRE(read.refused.has_value());
    CHECK(read.refused->kind == FaultKind::bad_request);
    CHECK_FALSE(read.refused->try_next.empty());
    return read.refused->sentence();
  };
  using Catch::Matchers::Contains;
  const auto text = [](std::string_view of) { return Bytes(of.begin(), of.end()); };
  CHECK_THAT(refusal({}), Contains("empty"));
  CHECK_THAT(refusal(text("a")), Contains("ends before its header"));
  CHECK_THAT(refusal(text("Hello, this is a letter.")), Contains("no pcap or pcapng capture"));
  CHECK_THAT(refusal(text("snoop\0\0\0\0\0\0\2")), Contains("snoop"));
  CHECK_THAT(refusal(text("\xfd" "7zXZ\0")), Contains("xz -d"));
  CaptureBytes old;
  old.pcap_header(microseconds, 1);
  old.out[6] = 3;  // version 2.3
  CHECK_THAT(refusal(old.out), Contains("version 2.3"));
  CaptureBytes reserved;
  reserved.pcap_header(microseconds, 0x00010001);
  CHECK_THAT(refusal(reserved.out), Contains("no meaning"));

  CHECK(read_capture(std::string("/")).refused->what == "this is a directory");
  CHECK_THAT(read_capture(std::string("/dev/zero")).refused->what, Contains("no pcap or pcapng"));
  CHECK_THAT(read_capture(std::string("/dev/null")).refused->what, Contains("empty"));
  const auto missing = read_capture(std::string("/nowhere/at/all.pcap"));
  CHECK(missing.refused->kind == FaultKind::bad_request);
  CHECK(missing.refused->where == "/nowhere/at/all.pcap");
}

TEST_CASE("a pipe is read as it comes, octet by octet") {
  for (const bool big : {false, true}) {
    for (const bool blocks : {false, true}) {
      CaptureBytes file(big);
      blocks ? file.section() : file.pcap_header(nanoseconds, 1);
      if (blocks) file.interface(1, 0);
      for (unsigned i = 0; i < 20; ++i) {
        const auto frame = frame_of(60 + i, i);
        blocks ? file.enhanced(0, i, frame, 60 + i) : file.pcap_record(i, i, frame, 60 + i);
      }
      int ends[2];
      REQUIRE(::pipe(ends) == 0);
      std::thread writer([&] {
        for (const auto octet : file.out) {
          if (::write(ends[1], &octet, 1) != 1) break;
        }
        ::close(ends[1]);
      });
      const auto read = read_capture("/proc/self/fd/" + std::to_string(ends[0]));
      writer.join();
      ::close(ends[0]);
      CHECK(read.frames.size() == 20);
      CHECK(read.frames == read_capture(file.out).frames);
      CHECK_FALSE(read.damage.has_value());
    }
  }
}

TEST_CASE("a pipe that nobody writes to is left when one is asked to, before its first octet and after") {
  const FileOf name({});
  std::filesystem::remove(name.path);
  REQUIRE(::mkfifo(name.path.c_str(), 0600) == 0);
  std::atomic<bool> stop{false};
  const auto stopped = [&](const auto& what) {
    stop = false;
    std::thread later([&] {
      std::this_thread::sleep_for(std::chrono::milliseconds(150));
      stop = true;
    });
    const auto read = what();
    later.join();
    return read;
  };
  const auto silent = stopped([&] { return read_capture(name.path, &stop); });
  REQUIRE(silent.refused.has_value());
  CHECK(silent.refused->kind == FaultKind::cancelled);

  const int writer = ::open(name.path.c_str(), O_RDWR | O_CLOEXEC);
  CaptureBytes file;
  file.pcap_header(nanoseconds, 1);
  file.pcap_record(1, 1, frame_of(60, 1), 60);
  file.number(0, 5);  // the next has begun
  REQUIRE(::write(writer, file.out.data(), file.out.size()) == static_cast<ssize_t>(file.out.size()));
  const auto begun = stopped([&] { return read_capture(name.path, &stop); });
  ::close(writer);
  CHECK_FALSE(begun.refused.has_value());
  CHECK(begun.frames.size() == 1);
  CHECK_FALSE(begun.damage.has_value());  // nothing is wrong with it: it was left
}
