// One direction of TCP put together (RFC 9293 §3.4: numbers, windows, retransmission), against a stream of known octets cut,
// shuffled and repeated in seeded ways.
#include "probes/wire/tcp_reassembly.hpp"

#include <catch2/catch.hpp>

#include <algorithm>
#include <deque>
#include <random>
#include <string>

using namespace tallywire::wire;
using std::chrono::milliseconds;
using std::chrono::seconds;

namespace {

using Bytes = std::vector<std::uint8_t>;

Bytes text(std::size_t octets) {
  Bytes out(octets);
  for (std::size_t i = 0; i < octets; ++i) out[i] = static_cast<std::uint8_t>(i * 131 + i / 251);
  return out;
}

struct Taker {
  TcpReassembly in;
  Bytes got;
  std::uint64_t missing = 0;
  int anew = 0;
  void drain() {
    while (const auto piece = in.next()) {
      got.insert(got.end(), piece->octets.begin(), piece->octets.end());
      missing += piece->missing;
      anew += piece->anew;
    }
  }
  void give(std::uint32_t sequence, Octets octets, milliseconds at, bool syn = false) {
    in.add({sequence, syn, octets, static_cast<std::uint32_t>(octets.size()), at});
    drain();
  }
};

}  // namespace

TEST_CASE("segments in any order, repeated and overlapping, give the stream, also over the end of the numbers") {
  const auto whole = text(20'000);
  for (unsigned seed = 0; seed < 200; ++seed) {
    std::mt19937 drawn(seed);
    struct Cut { std::size_t from, to; };
    std::vector<Cut> cuts;
    for (std::size_t at = 0; at < whole.size();) {
      const auto end = std::min(whole.size(), at + 1 + drawn() % 1460);
      cuts.push_back({at - std::min<std::size_t>(at, drawn() % 4 == 0 ? drawn() % 700 : 0), end});  // some overlap what came before
      at = end;
    }
    for (std::size_t i = 0; i + 3 < cuts.size(); ++i)
      if (drawn() % 5 == 0) std::swap(cuts[i], cuts[i + drawn() % 4]);
    for (int again = 0; again < 10; ++again) cuts.push_back(cuts[drawn() % cuts.size()]);
    const std::uint32_t first = seed % 2 ? 0xffffe000u : 1000u;
    Taker taker;
    taker.give(first - 1, {}, milliseconds(0), true);
    for (const auto& cut : cuts)
      taker.give(first + static_cast<std::uint32_t>(cut.from), Octets(whole).subspan(cut.from, cut.to - cut.from), milliseconds(1));
    CHECK(taker.got == whole);
    CHECK(taker.missing == 0);
  }
}

TEST_CASE("a hole that the receiver has acknowledged is the capture's, and told as such") {
  const auto whole = text(3000);
  Taker taker;
  taker.give(1, Octets(whole).first(1000), milliseconds(0));
  taker.give(2001, Octets(whole).subspan(2000), milliseconds(1));
  taker.in.acknowledged(3001, milliseconds(2));
  taker.drain();
  CHECK(taker.got.size() == 1000);  // the two directions may be shown out of order
  taker.in.look_at_clock(milliseconds(600));
  taker.drain();
  CHECK(taker.missing == 1000);
  CHECK(taker.got.size() == 2000);
  CHECK(taker.in.holes() == 1);
  CHECK(taker.in.missing_octets() == 1000);
}

TEST_CASE("acknowledgements that go on do not make a hole wait longer") {
  const auto whole = text(3000);
  Taker taker;
  taker.give(1, Octets(whole).first(1000), milliseconds(0));
  taker.give(2001, Octets(whole).subspan(2000, 10), milliseconds(1));
  for (int i = 1; i <= 8; ++i) {
    taker.give(static_cast<std::uint32_t>(2001 + 10 * i), Octets(whole).subspan(2000 + 10 * static_cast<std::size_t>(i), 10), milliseconds(100 * i));
    taker.in.acknowledged(static_cast<std::uint32_t>(2011 + 10 * i), milliseconds(100 * i));
    taker.drain();
  }
  CHECK(taker.missing == 1000);
}

TEST_CASE("pieces have the time of their own segment, also when the clock was set back") {
  const auto whole = text(300);
  TcpReassembly in;
  for (const int at_ms : {5000, 1000, 1040}) {
    static std::uint32_t number = 1;
    in.add({number, false, Octets(whole).first(100), 100, milliseconds(at_ms)});
    number += 100;
    const auto piece = in.next();
    REQUIRE(piece.has_value());
    CHECK(piece->at == milliseconds(at_ms));
    CHECK_FALSE(in.next().has_value());
  }
}

TEST_CASE("a hole that is filled in time is none") {
  const auto whole = text(3000);
  Taker taker;
  taker.give(1, Octets(whole).first(1000), milliseconds(0));
  taker.give(2001, Octets(whole).subspan(2000), milliseconds(1));
  taker.give(1001, Octets(whole).subspan(1000, 1000), milliseconds(250));
  CHECK(taker.got == whole);
  CHECK(taker.missing == 0);
}

TEST_CASE("a hole that nobody acknowledges is waited for as long as a sender would, and no more is kept than the ceiling") {
  const auto whole = text(3000);
  Taker taker;
  taker.give(1, Octets(whole).first(1000), milliseconds(0));
  taker.give(2001, Octets(whole).subspan(2000), milliseconds(1));
  taker.in.look_at_clock(seconds(9));
  taker.drain();
  CHECK(taker.missing == 0);
  taker.in.look_at_clock(seconds(11));
  taker.drain();
  CHECK(taker.missing == 1000);
  const auto large = text(1460);
  for (std::uint32_t i = 0; i < 3000; ++i) {
    taker.give(10'000 + i * 1460, large, seconds(11));
    CHECK(taker.in.kept_octets() <= TcpReassembly::most_kept + large.size() + TcpReassembly::cost_of_segment);
  }
  CHECK(taker.in.holes() == 2);
}

TEST_CASE("connections that share an account keep no more than its ceiling together") {
  const auto large = text(1460);
  TcpReassembly::Account account;
  account.most_octets = 100'000;
  {
    std::deque<Taker> takers(100);
    for (auto& taker : takers) {
      taker.in.share(account);
      taker.give(1, large, milliseconds(0));
      for (std::uint32_t i = 1; i < 20; ++i) taker.give(1 + 1460 * (i + 1), large, milliseconds(1));
      CHECK(account.kept_octets <= account.most_octets + 2 * large.size());
    }
    takers[0].in.restart();
    CHECK(takers[0].in.kept_octets() == 0);
  }
  CHECK(account.kept_octets == 0);
}

TEST_CASE("a segment that the capture has cut has a hole at its end") {
  const auto whole = text(1000);
  Taker taker;
  taker.in.add({1, false, Octets(whole).first(60), 1000, {}});
  taker.drain();
  CHECK(taker.got.size() == 60);
  CHECK(taker.missing == 940);
}

TEST_CASE("a keep-alive changes nothing; another connection on the same ports begins anew") {
  const auto whole = text(1000);
  Taker taker;
  taker.give(999, {}, milliseconds(0), true);
  taker.give(1000, whole, milliseconds(1));
  taker.give(1999, Octets(whole).first(1), milliseconds(2));
  CHECK(taker.got == whole);
  taker.give(999, {}, milliseconds(3), true);  // its first segment sent again
  CHECK(taker.anew == 0);
  taker.give(3'000'000'000, {}, milliseconds(4), true);
  taker.give(3'000'000'001, Octets(whole).first(10), milliseconds(5));
  CHECK(taker.anew == 1);
  CHECK(taker.got.size() == 1010);
}
