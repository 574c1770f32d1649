// Two hours of made-up traffic through the meter: the days that its readings forecast, against a count of every frame that a store
// takes until it is full.
#include "daemon/verdict/retention.hpp"
#include "probes/stream/meter.hpp"
#include "tests/stream/packets.hpp"

#include <catch2/catch.hpp>

#include <cmath>
#include <random>

using namespace tallywire;
using namespace tallywire::verdict;

namespace {

constexpr int frame_rate_hz = 25, gop_frames = 50, seconds = 7200;
constexpr std::size_t packet_octets = 1400;

// Octets of each frame's NAL unit: key frames eight times the others, a scene that wanders (AR(1) in its logarithm, a minute's
// memory), each frame with its own chance. Invented; the count below is the truth of it, whatever it is.
std::vector<std::uint32_t> frames_of(std::uint64_t seed, double mean_bps) {
  std::mt19937_64 random(seed);
  std::normal_distribution<double> normal(0, 1);
  const double mean = mean_bps / 8 / frame_rate_hz / ((gop_frames - 1 + 8.0) / gop_frames);
  const double memory = std::exp(-1.0 / (60 * frame_rate_hz));
  double scene = normal(random);
  std::vector<std::uint32_t> out;
  for (int i = 0; i < seconds * frame_rate_hz; ++i) {
    scene = scene * memory + normal(random) * std::sqrt(1 - memory * memory);
    const double size = mean * (i % gop_frames == 0 ? 8 : 1) * std::exp(0.4 * scene - 0.08) * std::exp(0.2 * normal(random) - 0.02);
    out.push_back(static_cast<std::uint32_t>(std::max(200.0, size)));
  }
  return out;
}

// Each frame as FU-A packets (RFC 6184 §5.8) within the first third of its 40 ms.
Reading metered(const std::vector<std::uint32_t>& frames, const std::string& subject) {
  stream::Meter meter(test::h264());
  std::vector<std::uint8_t> packet(12 + packet_octets, 0x55);
  packet[0] = 0x80;
  std::uint16_t sequence = 0;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const auto time = static_cast<std::uint32_t>(i * 90'000 / frame_rate_hz);
    const bool key = i % gop_frames == 0;
    const std::size_t pieces = (frames[i] + packet_octets - 3) / (packet_octets - 2);
    std::size_t left = frames[i] - 1;  // the NAL unit's own first octet is rebuilt from the two of the FU
    for (std::size_t p = 0; p < pieces; ++p) {
      const auto part = std::min(left, packet_octets - 2);
      left -= part;
      packet[1] = static_cast<std::uint8_t>(96 | (p + 1 == pieces ? 0x80 : 0));
      packet[2] = static_cast<std::uint8_t>(sequence >> 8);
      packet[3] = static_cast<std::uint8_t>(sequence);
      ++sequence;
      for (int b = 0; b < 4; ++b) packet[static_cast<std::size_t>(4 + b)] = static_cast<std::uint8_t>(time >> (24 - 8 * b));
      packet[12] = key ? 0x7c : 0x5c;
      packet[13] = static_cast<std::uint8_t>((p == 0 ? 0x80 : 0) | (p + 1 == pieces ? 0x40 : 0) | (key ? 5 : 1));
      packet[14] = key ? 0x88 : 0x9a;
      meter.add(std::span<const std::uint8_t>(packet).first(12 + 2 + part),
                test::after(static_cast<double>(i) / frame_rate_hz + 0.013 * static_cast<double>(p) / static_cast<double>(pieces)));
    }
  }
  for (const auto& reading : stream::to_readings(meter.report(), subject))
    if (reading.quantity == "payload_bps") return reading;
  throw std::runtime_error("no rate");
}

}  // namespace

TEST_CASE("two hours of variable traffic: days held are within 1 % of a frame-by-frame count") {
  config::Design design;
  config::Camera camera;
  camera.id = "gate";
  config::Volume volume{"main", "/srv/video", false, 4e12, 10, {}};
  std::vector<std::vector<std::uint32_t>> traffic;
  std::vector<Reading> readings;
  for (int i = 0; i < 4; ++i) {
    config::Stream stream;
    stream.id = "main";
    camera.heads.push_back({std::to_string(i), "", {stream}});
    volume.streams.push_back("gate/" + std::to_string(i) + "/main");
    traffic.push_back(frames_of(static_cast<std::uint64_t>(i) + 1, 2e6 + 2e6 * i));
    readings.push_back(metered(traffic.back(), "camera/gate/head/" + std::to_string(i) + "/stream/main"));
  }
  design.cameras = {camera};
  design.recorders = {{"rec", "", "192.0.2.10", "", "", {volume}}};
  design.limits.volume_kept_free_ratio = 0.05;
  // Of the container below: 20 octets a frame and 600 a GOP beside 20 kB a frame.
  constexpr double a_frame = 20, a_gop = 600;
  design.limits.container_overhead_ratio = (a_frame + a_gop / gop_frames) / 20e3;

  const auto rows = days_held_of(design, readings, {}, {}, now_utc());
  REQUIRE(rows.size() == 1);
  REQUIRE(rows[0].days.has_value());

  // The count: the two hours again and again, frame by frame, until 95 % of the volume are taken.
  double taken = 0;
  std::uint64_t frames = 0;
  const std::size_t each = traffic[0].size();
  while (taken < 4e12 * 0.95) {
    for (const auto& stream : traffic) taken += stream[frames % each] + a_frame + (frames % gop_frames == 0 ? a_gop : 0);
    ++frames;
  }
  const double counted_days = static_cast<double>(frames) / frame_rate_hz / 86'400;
  INFO("forecast " << *rows[0].days << ", counted " << counted_days);
  CHECK(std::abs(*rows[0].days / counted_days - 1) < 0.01);
  // The traffic is not so even that any look would do: ten seconds of it stray by far more.
  double least = 1e18, most = 0;
  for (std::size_t at = 0; at + 250 <= each; at += 250) {
    double octets = 0;
    for (const auto& stream : traffic)
      for (std::size_t i = 0; i < 250; ++i) octets += stream[at + i];
    least = std::min(least, octets);
    most = std::max(most, octets);
  }
  CHECK(most > least * 1.5);
}
