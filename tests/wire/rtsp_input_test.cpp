// What comes over one RTSP connection, in pieces of any size: RFC 2326 §10.12, whose frames and messages share it.
#include "probes/wire/rtsp_input.hpp"

#include <catch2/catch.hpp>

#include <algorithm>
#include <string>
#include <vector>

using namespace tallywire::wire;

namespace {

std::string frame(std::uint8_t channel, std::size_t octets) {
  std::string out = {'$', static_cast<char>(channel), static_cast<char>(octets >> 8), static_cast<char>(octets & 0xff)};
  for (std::size_t i = 0; i < octets; ++i) out += static_cast<char>(i * 7 + channel);
  return out;
}

// An answer with a body, frames around it, an empty frame, one of the largest size.
std::string sample() {
  return frame(0, 1400) + "RTSP/1.0 200 OK\r\nCSeq: 5\r\nContent-Length: 6\r\n\r\n$body$" + frame(1, 0) + frame(2, 65535) +
         "OPTIONS rtsp://192.0.2.10/head/1 RTSP/1.0\r\nCSeq: 1\r\n\r\n" + frame(3, 1);
}

std::vector<std::string> items(const std::string& all, std::size_t piece) {
  std::vector<std::string> out;
  RtspInput input;
  for (std::size_t at = 0; at < all.size(); at += piece) {
    // A copy of its own for each piece: whoever keeps a view into an older one is found by the sanitizers.
    const std::vector<std::uint8_t> octets(all.begin() + static_cast<std::ptrdiff_t>(at),
                                           all.begin() + static_cast<std::ptrdiff_t>(std::min(all.size(), at + piece)));
    input.give(octets);
    for (auto came = input.next(); came != RtspInput::Came::need_more; came = input.next()) {
      REQUIRE(came != RtspInput::Came::malformed);
      if (came == RtspInput::Came::frame)
        out.push_back("frame " + std::to_string(input.channel()) + " " + std::string(input.packet().begin(), input.packet().end()));
      else
        out.push_back("message " + std::to_string(input.message().status) + input.message().method + " " + input.message().body);
    }
  }
  CHECK(input.held() == 0);
  return out;
}

}  // namespace

TEST_CASE("an RTSP connection is cut into the same items whatever the pieces") {
  const auto all = sample();
  const auto whole = items(all, all.size());
  REQUIRE(whole.size() == 6);
  CHECK(whole[0].size() == std::string("frame 0 ").size() + 1400);
  CHECK(whole[1] == "message 200 $body$");
  CHECK(whole[2] == "frame 1 ");
  CHECK(whole[3].size() == std::string("frame 2 ").size() + 65535);
  CHECK(whole[4] == "message 0OPTIONS ");
  for (const std::size_t piece : {1u, 2u, 3u, 4u, 5u, 7u, 1399u, 1404u, 1405u, 1448u, 4096u, 16384u})
    CHECK(items(all, piece) == whole);
}

TEST_CASE("the octets of check-values: channel 0, 1500 octets (RFC 2326 §10.12: 24 00 05 dc)") {
  std::vector<std::uint8_t> octets = {0x24, 0x00, 0x05, 0xdc};
  RtspInput input;
  input.give(octets);
  CHECK(input.next() == RtspInput::Came::need_more);
  const std::vector<std::uint8_t> rest(1500, 0xab);
  input.give(rest);
  REQUIRE(input.next() == RtspInput::Came::frame);
  CHECK(input.channel() == 0);
  CHECK(input.packet().size() == 1500);
}

TEST_CASE("after garbage nothing is believed, and little is kept") {
  const std::string garbage(200'000, 'x');
  RtspInput input;
  std::size_t most = 0;
  auto came = RtspInput::Came::need_more;
  for (std::size_t at = 0; at < garbage.size() && came != RtspInput::Came::malformed; at += 1000) {
    const std::vector<std::uint8_t> piece(1000, 'x');
    input.give(piece);
    came = input.next();
    most = std::max(most, input.held());
  }
  CHECK(came == RtspInput::Came::malformed);
  CHECK_FALSE(input.fault().empty());
  CHECK(most <= RtspLimits{}.head_octets + 4096);
  const auto good = frame(0, 10);
  const std::vector<std::uint8_t> octets(good.begin(), good.end());
  input.give(octets);
  CHECK(input.next() == RtspInput::Came::malformed);
}
