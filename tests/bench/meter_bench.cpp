// How many packets a second the meter takes on one core, for one stream and for 500 in turn.
#include "probes/stream/meter.hpp"

#include <benchmark/benchmark.h>

#include <memory>

using namespace tallywire;
using namespace tallywire::stream;

namespace {

MeterSettings settings() {
  MeterSettings out;
  out.codec = Codec::h264;
  out.encoding_name = "H264";
  return out;
}

// 4 Mbit/s at 25 frames/s: 14 packets of 1400 octets a frame, FU-A, every 25th frame a key frame.
class Source {
 public:
  Source() : packet_(12 + 1400, 0x55) {
    packet_[0] = 0x80;
    packet_[1] = 96;
  }
  void next(Meter& meter) {
    const std::uint32_t time = frame_ * 3600;
    packet_[2] = static_cast<std::uint8_t>(sequence_ >> 8);
    packet_[3] = static_cast<std::uint8_t>(sequence_);
    for (int i = 0; i < 4; ++i) packet_[static_cast<std::size_t>(4 + i)] = static_cast<std::uint8_t>(time >> (24 - 8 * i));
    packet_[12] = 0x7c;
    packet_[13] = static_cast<std::uint8_t>((index_ == 0 ? 0x80 : 0) | (frame_ % 25 == 0 ? 5 : 1));
    meter.add(packet_, SystemTime(std::chrono::milliseconds(40) * frame_ + std::chrono::microseconds(120) * index_));
    ++sequence_;
    if (++index_ == 14) {
      index_ = 0;
      ++frame_;
    }
  }

 private:
  std::vector<std::uint8_t> packet_;
  std::uint16_t sequence_ = 0;
  std::uint32_t frame_ = 0;
  int index_ = 0;
};

void meter_packets(benchmark::State& state) {
  const auto streams = static_cast<std::size_t>(state.range(0));
  std::vector<std::unique_ptr<Meter>> meters;
  std::vector<Source> sources(streams);
  for (std::size_t i = 0; i < streams; ++i) meters.push_back(std::make_unique<Meter>(settings()));
  std::size_t at = 0;
  for (auto _ : state) {
    sources[at].next(*meters[at]);
    at = at + 1 == streams ? 0 : at + 1;
  }
  state.SetItemsProcessed(state.iterations());
}

}  // namespace

BENCHMARK(meter_packets)->Arg(1)->Arg(64)->Arg(500)->Arg(10000);
BENCHMARK_MAIN();
