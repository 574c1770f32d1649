// What a run rests on: every block tells which it is, and nothing else passes for one. The cipher is held against the openssl program, the
// places of files against FIBMAP, another door of the kernel to the same knowledge.
#include "probes/volume/capacity_folder.hpp"
#include "probes/volume/capacity_state.hpp"
#include "probes/volume/file_map.hpp"
#include "probes/volume/keyed_pattern.hpp"
#include "probes/volume/true_capacity.hpp"

#include <catch2/catch.hpp>

#include <fcntl.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <cstdlib>
#include <filesystem>
#include <fstream>

namespace fs = std::filesystem;
using namespace tallywire::volume;

namespace {

using Block = std::array<std::uint8_t, KeyedPattern::block_bytes>;

PatternKey key_of(std::uint8_t seed) {
  PatternKey out;
  for (std::size_t i = 0; i < out.size(); ++i) out[i] = static_cast<std::uint8_t>(seed + i);
  return out;
}

struct Folder {
  // Not in /tmp, which may lie in memory, where files have no places.
  Folder() {
    std::string name = std::string(TALLYWIRE_BINARY_DIR) + "/capacity-XXXXXX";
    REQUIRE(::mkdtemp(name.data()) != nullptr);
    path = name;
  }
  ~Folder() { fs::remove_all(path); }
  fs::path path;
};

}  // namespace

TEST_CASE("a block tells its number, and whether it is whole") {
  KeyedPattern pattern(key_of(1)), stranger(key_of(2));
  Block block{}, other{};
  for (const std::uint64_t number : {std::uint64_t{0}, std::uint64_t{1}, std::uint64_t{255}, std::uint64_t{1} << 40}) {
    pattern.fill(number, block.data());
    CHECK(pattern.look(number, block.data()).found == BlockFound::right);
    const auto wrapped = pattern.look(number + 7, block.data());
    CHECK(wrapped.found == BlockFound::other);
    CHECK(wrapped.number == number);
    CHECK(stranger.look(number, block.data()).found == BlockFound::foreign);
    other = block;
    other[4000] ^= 1;
    CHECK(pattern.look(number, other.data()).found == BlockFound::damaged);
    CHECK(pattern.look(number + 7, other.data()).found == BlockFound::foreign);  // half of another is no other
  }
  block.fill(0);
  CHECK(pattern.look(3, block.data()).found == BlockFound::zeros);
  block.fill(0xff);
  CHECK(pattern.look(3, block.data()).found == BlockFound::ones);
}

TEST_CASE("the pattern is AES-256 in counter mode from the block's number") {
  // SP 800-38A 6.5: the second block of the key stream is the cipher of the counter after the first. For block 0 that is 00…01, whose
  // cipher under the key 00…1f is by `openssl enc -aes-256-ecb -nopad`:
  const PatternKey key = key_of(0);
  Block block{};
  KeyedPattern(key).fill(0, block.data());
  const std::uint8_t expected[16] = {0xf0, 0x5d, 0x76, 0xae, 0x4a, 0xb9, 0x9f, 0xe5, 0xa6, 0xf6, 0x9b, 0x31, 0x48, 0xc2, 0x36, 0x3d};
  CHECK(std::equal(expected, expected + 16, block.data() + 16));
}

TEST_CASE("a run's state comes back whole or not at all") {
  CapacityState state;
  state.sequence = 41;
  state.filled = true;
  state.filled_blocks = 123'456'789;
  state.checked_blocks = 4'711;
  state.other_blocks = 17;
  state.first_bad = FirstBad{99, "another block stands there", 12'345};
  state.wrap_bytes = 1ULL << 35;
  state.lowest_lost_bytes = 1ULL << 41;
  state.fill_s = 1234.5;
  auto place = encode_state(state, key_of(5));
  const auto back = decode_state(place, key_of(5));
  REQUIRE(back.has_value());
  CHECK(back->sequence == 41);
  CHECK(back->filled);
  CHECK(back->filled_blocks == 123'456'789);
  CHECK(back->checked_blocks == 4'711);
  CHECK(back->first_bad->block == 99);
  CHECK(back->first_bad->found_block == 12'345);
  CHECK(back->wrap_bytes == 1ULL << 35);
  CHECK(back->lowest_lost_bytes == 1ULL << 41);
  CHECK(back->fill_s == 1234.5);
  CHECK_FALSE(decode_state(place, key_of(6)).has_value());
  for (const std::size_t at : {std::size_t{0}, std::size_t{33}, std::size_t{60}, std::size_t{4095}}) {
    place[at] ^= 0x40;
    CHECK_FALSE(decode_state(place, key_of(5)).has_value());
    place[at] ^= 0x40;
  }
  CHECK_FALSE(decode_state(std::span(place).first(100), key_of(5)).has_value());
  CHECK_FALSE(decode_state(StatePlace{}, key_of(5)).has_value());
}

TEST_CASE("a file's places by its map and block by block are the same") {
  const Folder folder;
  const auto name = (folder.path / "file").string();
  const Descriptor file(::open(name.c_str(), O_RDWR | O_CREAT, 0600));
  const std::string octets(3 << 20, 'x');
  REQUIRE(::pwrite(file.fd(), octets.data(), octets.size(), 0) == static_cast<ssize_t>(octets.size()));
  REQUIRE(::pwrite(file.fd(), octets.data(), octets.size(), 64 << 20) == static_cast<ssize_t>(octets.size()));  // a hole between
  REQUIRE(::fsync(file.fd()) == 0);
  const auto map = FileMap::of(file.fd()), blocks = FileMap::block_by_block(file.fd());
  if (!map.device_bytes(0) || !blocks.device_bytes(0)) {
    WARN("no places are told here (file system, or not root): " << name);
    return;
  }
  for (std::uint64_t at = 0; at < 3 << 20; at += 4096) {
    REQUIRE(map.device_bytes(at) == blocks.device_bytes(at));
    REQUIRE(map.device_bytes((64 << 20) + at + 5) == blocks.device_bytes((64 << 20) + at + 5));
  }
  CHECK_FALSE(map.device_bytes(32 << 20).has_value());
  CHECK_FALSE(map.device_bytes(80 << 20).has_value());
}

TEST_CASE("a run over several files is whole, and damage done to them between its halves is found") {
  const Folder folder;
  CapacityRequest request;
  request.path = folder.path;
  request.most_bytes = 5 << 20;
  request.file_bytes = 2 << 20;
  const std::atomic<bool> goes_on{false};
  auto whole = find_true_capacity(request, goes_on, {});
  REQUIRE(whole.has_value());
  CHECK(whole->state == "complete");
  CHECK(whole->checked_bytes == 5 << 20);
  CHECK(whole->bad_bytes == 0);
  CHECK(fs::is_empty(folder.path));

  // Filled, then stopped before the check: the stop is asked for when the filling is first told of, at the end of the first file.
  std::atomic<bool> stop{false};
  auto half = find_true_capacity(request, stop, [&](double, double, const std::string&) { stop = true; });
  REQUIRE(half.has_value());
  CHECK(half->state == "stopped while filling");
  const auto own = folder.path / CapacityFolder::name;
  REQUIRE(fs::exists(own / "0"));
  std::fstream(own / "0", std::ios::in | std::ios::out | std::ios::binary).seekp(3 * 4096 + 100).put('!').put('?');
  auto rest = find_true_capacity(request, goes_on, {});
  REQUIRE(rest.has_value());
  CHECK(rest->resumed_at_bytes == half->filled_bytes);
  CHECK(rest->state == "complete");
  CHECK(rest->damaged_bytes == 4096);
  CHECK(rest->first_bad->file == ".tallywire-capacity/0");
  CHECK(rest->first_bad->file_offset_bytes == 3 * 4096);
  CHECK(fs::is_empty(folder.path));
}

TEST_CASE("a state that does not come back is told, and another run is kept out") {
  const Folder folder;
  {
    auto first = CapacityFolder::open(folder.path);
    REQUIRE(first.has_value());
    const auto second = CapacityFolder::open(folder.path);
    REQUIRE_FALSE(second.has_value());
    CHECK(second.error().what.find("under way") != std::string::npos);
    CHECK_FALSE(CapacityFolder::abandon(folder.path).has_value());
  }
  std::ofstream(folder.path / CapacityFolder::name / "state", std::ios::trunc) << "garbage";
  const auto broken = CapacityFolder::open(folder.path);
  REQUIRE_FALSE(broken.has_value());
  CHECK(broken.error().try_next.find("--abandon") != std::string::npos);
  CHECK(*CapacityFolder::abandon(folder.path));
  CHECK_FALSE(*CapacityFolder::abandon(folder.path));
  CHECK_FALSE(CapacityFolder::open(folder.path / "nowhere").has_value());
  CHECK_FALSE(CapacityFolder::abandon(folder.path / "nowhere").has_value());
}

TEST_CASE("a run writes into no file that has another name") {
  const Folder folder;
  std::ofstream(folder.path / "recording") << "somebody's";
  const auto own = folder.path / CapacityFolder::name;
  for (const auto* name : {"key", "state.new", "0"}) {
    fs::create_directory(own);
    fs::create_hard_link(folder.path / "recording", own / name);
    const auto report = find_true_capacity({folder.path, 1 << 20, 1 << 20}, std::atomic<bool>{false}, {});
    CHECK((!report || report->fault.has_value()));
    CHECK(fs::file_size(folder.path / "recording") == 10);
    CHECK(fs::hard_link_count(folder.path / "recording") == (std::string(name) == "0" ? 1 : 2));  // a run that has begun goes with its files
    fs::remove_all(own);
  }
}
