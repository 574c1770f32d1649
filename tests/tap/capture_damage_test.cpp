// A capture that is cut off or damaged anywhere: nothing breaks, what stands before the damage is handed out as in the
// whole file, and a person is told.
#include "probes/wire/capture_format.hpp"
#include "tests/tap/capture_read.hpp"

#include <catch2/catch.hpp>
#include <zlib.h>
#include <zstd.h>

#include <algorithm>

using namespace tallywire;
using namespace tallywire::test;
using Catch::Matchers::Contains;

namespace {

// A file, and where each of its records ends.
struct Whole {
  Bytes octets;
  std::vector<std::size_t> ends;         // of every record or block
  std::vector<std::size_t> frame_ends;   // of those that hold a frame
};

Whole small_pcap() {
  Whole out;
  CaptureBytes file;
  file.pcap_header(0xa1b23c4d, 1);
  out.ends.push_back(file.out.size());
  for (unsigned i = 0; i < 6; ++i) {
    file.pcap_record(1'700'000'000 + i, i, frame_of(30 + i, i), 90);
    out.ends.push_back(file.out.size());
    out.frame_ends.push_back(file.out.size());
  }
  out.octets = file.out;
  return out;
}

Whole small_pcapng(bool big) {
  Whole out;
  CaptureBytes file(big);
  const auto note = [&](bool frame) {
    out.ends.push_back(file.out.size());
    if (frame) out.frame_ends.push_back(file.out.size());
  };
  for (unsigned section = 0; section < 2; ++section) {
    file.section();
    note(false);
    file.interface(1, 100, file.option(9, 9, 1));
    note(false);
    file.enhanced(0, section, frame_of(30, 1), 90, file.option(2, 1, 4));
    note(true);
    file.block(0x0bad, frame_of(20, 2));
    note(false);
    file.simple(frame_of(33, 3), 33);
    note(true);
    file.obsolete(0, 3, 9, frame_of(34, 4), 34);
    note(true);
    file.statistics(0, file.option(5, 3, 8));
    note(false);
  }
  out.octets = file.out;
  return out;
}

Bytes gzipped(const Bytes& octets) {
  z_stream stream{};
  REQUIRE(deflateInit2(&stream, 6, Z_DEFLATED, 16 + MAX_WBITS, 8, Z_DEFAULT_STRATEGY) == Z_OK);
  Bytes out(deflateBound(&stream, octets.size()) + 64);
  stream.next_in = const_cast<Bytef*>(octets.data());
  stream.avail_in = static_cast<uInt>(octets.size());
  stream.next_out = out.data();
  stream.avail_out = static_cast<uInt>(out.size());
  REQUIRE(deflate(&stream, Z_FINISH) == Z_STREAM_END);
  out.resize(stream.total_out);
  deflateEnd(&stream);
  return out;
}

Bytes zstandard(const Bytes& octets) {
  ZSTD_CCtx* context = ZSTD_createCCtx();
  ZSTD_CCtx_setParameter(context, ZSTD_c_checksumFlag, 1);  // as zstd(1) does
  Bytes out(ZSTD_compressBound(octets.size()));
  const auto size = ZSTD_compress2(context, out.data(), out.size(), octets.data(), octets.size());
  REQUIRE_FALSE(ZSTD_isError(size));
  out.resize(size);
  ZSTD_freeCCtx(context);
  return out;
}

Bytes joined(Bytes first, const Bytes& second) {
  first.insert(first.end(), second.begin(), second.end());
  return first;
}

bool begins_with(const std::vector<Caught>& whole, const std::vector<Caught>& part) {
  return part.size() <= whole.size() && std::equal(part.begin(), part.end(), whole.begin());
}

void check_message(const CaptureRead& read) {
  if (read.refused) {
    CHECK(read.refused->kind == FaultKind::bad_request);
    CHECK(read.frames.empty());
    return;
  }
  REQUIRE(read.damage.has_value());
  CHECK(read.damage->kind == FaultKind::malformed);
  CHECK_FALSE(read.damage->where.empty());
  CHECK_THAT(read.damage->what, Contains("after " + std::to_string(read.frames.size()) + " frame"));
  CHECK_THAT(read.damage->what, Contains("at octet "));
}

void cut_everywhere(const Whole& whole) {
  const auto all = read_capture(whole.octets).frames;
  REQUIRE(all.size() == whole.frame_ends.size());
  for (std::size_t length = 0; length < whole.octets.size(); ++length) {
    INFO("cut off after " << length);
    const auto read = read_capture(Bytes(whole.octets.begin(), whole.octets.begin() + static_cast<std::ptrdiff_t>(length)));
    const auto held = std::count_if(whole.frame_ends.begin(), whole.frame_ends.end(),
                                    [&](std::size_t end) { return end <= length; });
    CHECK(read.frames.size() == static_cast<std::size_t>(held));
    CHECK(begins_with(all, read.frames));
    const bool between = std::count(whole.ends.begin(), whole.ends.end(), length) > 0;
    if (between) {
      CHECK_FALSE(read.refused.has_value());
      CHECK_FALSE(read.damage.has_value());  // a shorter capture, and a whole one
    } else {
      check_message(read);
      if (read.damage) CHECK_THAT(read.damage->what, Contains("cut off"));
    }
  }
}

void change_everywhere(const Whole& whole) {
  const auto all = read_capture(whole.octets).frames;
  for (std::size_t at = 0; at < whole.octets.size(); ++at) {
    for (const int bits : {0x01, 0x10, 0x80, 0xff}) {
      INFO("octet " << at << " by " << bits);
      auto octets = whole.octets;
      octets[at] = static_cast<std::uint8_t>(octets[at] ^ bits);
      const auto read = read_capture(octets);
      const auto before = static_cast<std::size_t>(std::count_if(
          whole.frame_ends.begin(), whole.frame_ends.end(), [&](std::size_t end) { return end <= at; }));
      if (read.refused) {
        CHECK(before == 0);
      } else {
        REQUIRE(read.frames.size() >= before);
        CHECK(std::equal(all.begin(), all.begin() + static_cast<std::ptrdiff_t>(before), read.frames.begin()));
      }
      // Fewer frames than there were are never passed over in silence; a block turned into one of an unknown kind is.
      if (read.frames.size() + 1 < all.size() || read.refused || read.damage) check_message(read);
    }
  }
}

}  // namespace

TEST_CASE("a capture cut off at any octet gives the frames before it and says where") {
  cut_everywhere(small_pcap());
  cut_everywhere(small_pcapng(false));
  cut_everywhere(small_pcapng(true));
}

TEST_CASE("a capture with any octet changed gives the frames before it unchanged") {
  change_everywhere(small_pcap());
  change_everywhere(small_pcapng(false));
  change_everywhere(small_pcapng(true));
}

TEST_CASE("a packed capture reads like the plain one, in several members or frames too") {
  const auto plain = small_pcapng(false).octets;
  const auto all = read_capture(plain);
  const Bytes first(plain.begin(), plain.begin() + 101), second(plain.begin() + 101, plain.end());
  const auto padding = Bytes(512);
  Bytes skippable = {0x50, 0x2a, 0x4d, 0x18, 3, 0, 0, 0, 'a', 'b', 'c'};  // RFC 8878 §3.1.2
  for (const auto& packed : {gzipped(plain), joined(gzipped(first), gzipped(second)), joined(gzipped(plain), padding)}) {
    const auto read = read_capture(packed);
    CHECK(read.frames == all.frames);
    CHECK_FALSE(read.damage.has_value());
    CHECK(read.format == "pcapng, gzip");
  }
  for (const auto& packed : {zstandard(plain), joined(zstandard(first), zstandard(second)),
                             joined(skippable, zstandard(plain)), joined(zstandard(plain), skippable)}) {
    const auto read = read_capture(packed);
    CHECK(read.frames == all.frames);
    CHECK_FALSE(read.damage.has_value());
    CHECK(read.format == "pcapng, Zstandard");
  }
}

TEST_CASE("a packed capture cut off at any octet gives frames of the whole, and says so") {
  const auto whole = small_pcap().octets;
  const auto all = read_capture(whole).frames;
  for (const auto& packed : {gzipped(whole), zstandard(whole)}) {
    for (std::size_t length = 0; length < packed.size(); ++length) {
      INFO("cut off after " << length);
      const auto read = read_capture(Bytes(packed.begin(), packed.begin() + static_cast<std::ptrdiff_t>(length)));
      CHECK(begins_with(all, read.frames));
      check_message(read);
    }
  }
}

TEST_CASE("a packed capture with any octet changed gives all that it holds, or says that it is broken") {
  const auto whole = small_pcap().octets;
  const auto all = read_capture(whole).frames;
  for (const auto& packed : {gzipped(whole), zstandard(whole)}) {
    for (std::size_t at = 0; at < packed.size(); ++at) {
      for (const int bits : {0x01, 0x80, 0xff}) {
        INFO("octet " << at << " by " << bits);
        auto octets = packed;
        octets[at] = static_cast<std::uint8_t>(octets[at] ^ bits);
        const auto read = read_capture(octets);
        // The date and the system in gzip's header are not checked by anything (RFC 1952 §2.3).
        if (!read.refused && !read.damage) {
          CHECK(read.frames == all);
        } else if (read.refused && read.refused->kind == FaultKind::unsupported) {
          CHECK_THAT(read.refused->what, Contains("128 MiB"));  // a window that is too large
        } else {
          check_message(read);
        }
      }
    }
  }
}

TEST_CASE("what was unpacked before a packed stream broke is handed out") {
  CaptureBytes file;
  file.pcap_header(0xa1b23c4d, 1);
  // Noise does not pack: each of many blocks of the packed stream holds some frames.
  std::uint32_t state = 1;
  for (unsigned i = 0; i < 2000; ++i) {
    auto frame = frame_of(1000, i);
    for (auto& octet : frame) octet = static_cast<std::uint8_t>((state = state * 1'664'525 + 1'013'904'223) >> 24);
    file.pcap_record(i, 0, frame, 1000);
  }
  const auto all = read_capture(file.out).frames;
  for (auto packed : {gzipped(file.out), zstandard(file.out)}) {
    auto broken = packed;
    std::fill_n(broken.begin() + static_cast<std::ptrdiff_t>(packed.size() * 3 / 4), 4000, std::uint8_t{0xa5});
    auto read = read_capture(broken);
    check_message(read);
    packed.resize(packed.size() * 3 / 4);
    read = read_capture(packed);
    check_message(read);
    CHECK_THAT(read.damage->what, Contains("cut off"));
    CHECK(begins_with(all, read.frames));
    CHECK(read.frames.size() > 1300);  // three quarters, less one block of 128 KiB and the frame within
  }
  auto wrong_sum = gzipped(file.out);
  wrong_sum[wrong_sum.size() - 6] ^= 1;  // CRC-32, then the length (RFC 1952 §2.3.1)
  const auto read = read_capture(wrong_sum);
  CHECK(read.frames == all);
  check_message(read);
  CHECK_THAT(read.damage->what, Contains("incorrect data check"));
  const auto followed = read_capture(joined(gzipped(file.out), {'n', 'o', 't', 'e'}));
  CHECK(followed.frames == all);
  CHECK_THAT(followed.damage->what, Contains("something else follows"));
}

TEST_CASE("lengths that cannot be are damage, whatever they promise") {
  CaptureBytes pcap;
  pcap.pcap_header(0xa1b2c3d4, 1);
  pcap.pcap_record(1, 0, frame_of(60, 1), 60);
  pcap.pcap_record(2, 0, frame_of(262'145, 1), 262'145);
  auto read = read_capture(pcap.out);
  CHECK(read.frames.size() == 1);
  CHECK_THAT(read.damage->what, Contains("262145 octets cannot be at octet 100, after 1 frame"));

  CaptureBytes ng;
  ng.section();
  ng.interface(1, 0);
  ng.enhanced(0, 1, frame_of(262'145, 1), 262'145);
  read = read_capture(ng.out);
  CHECK(read.frames.empty());
  CHECK_THAT(read.damage->what, Contains("262145 octets cannot be"));

  for (const std::uint32_t told : {0u, 11u, 13u, 0xfffffffdu}) {
    CaptureBytes file;
    file.section();
    file.number(0x0bad, 4);
    file.number(told, 4);
    file.number(0, 12);
    read = read_capture(file.out);
    INFO(told);
    CHECK_THAT(read.damage->what, Contains("cannot be"));
  }
  CaptureBytes strange;
  strange.section();
  strange.enhanced(0, 1, frame_of(60, 1), 60);
  CHECK_THAT(read_capture(strange.out).damage->what, Contains("not described"));
  CaptureBytes later;
  later.section();
  later.out[12] = 2;  // major version
  CHECK_THAT(read_capture(later.out).damage->what, Contains("version 2.0"));
}

TEST_CASE("ever more interfaces are damage, not memory without end") {
  CaptureBytes file;
  file.section();
  CaptureBytes one;
  one.interface(1, 0);
  file.out.reserve(file.out.size() + 70'000 * one.out.size());
  for (int i = 0; i < 70'000; ++i) file.append(one.out);
  CHECK_THAT(read_capture(file.out).damage->what, Contains("65536 interfaces"));
}
