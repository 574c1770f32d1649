// capture_maker --out FILE [--streams 64] [--seconds 30] [--bps 4000000] [--snap 262144]: a capture as of a mirror port
// that N cameras' streams leave by: H.264 in RTP, UDP, IPv4 and Ethernet, 25 frames/s, each camera at a moment of its own in
// its frame and its GOP. A frame's packets follow each other as a link of 100 Mbit/s lets them, so that streams interleave.
// Classic pcap with nanoseconds; nothing is lost, so every reader's counts are known. Prints them as JSON.
#include "tests/bench/frame_octets.hpp"
#include "tests/bench/stream_shape.hpp"

#include <CLI/CLI.hpp>
#include <nlohmann/json.hpp>

#include <array>
#include <bit>
#include <cstdio>
#include <cstring>
#include <fstream>
#include <queue>
#include <string>
#include <vector>

using namespace tallywire;

namespace {

using tallywire::bench::put, tallywire::bench::ip_checksum;

constexpr std::uint64_t frame_ns = 1'000'000ULL * bench::frame_ms;
constexpr std::uint64_t ns_an_octet = 80;     // 100 Mbit/s
constexpr std::size_t between_frames = 24;    // preamble 8, FCS 4, gap 12: IEEE 802.3
constexpr std::size_t headers = 14 + 20 + 8;  // Ethernet, IPv4, UDP
constexpr std::size_t record_header = 16;
constexpr std::uint64_t first_s = 1'750'000'000;

struct Options {
  std::string out;
  std::uint32_t streams = 64;
  double seconds = 30;
  std::uint64_t bps = 8 * bench::gop_payload_octets;
  std::uint32_t snap = 262144;
};

struct Camera {
  std::uint32_t number = 0;
  std::uint64_t frame = 0;  // counted from its first one
  std::uint64_t first_frame_ns = 0;
  std::uint64_t next_ns = 0;
  std::size_t packet = 0;
  bench::Stamp stamp;
};

// Camera 198.51.100.x to a recorder's 192.0.2.20; the recorder has a port for each stream, as RTSP gives them. UDP's
// checksum is left 0, which is none (RFC 768).
std::array<std::uint8_t, headers> headers_of(std::uint32_t camera, std::size_t rtp_octets, std::uint64_t packet) {
  std::array<std::uint8_t, headers> out{};
  put(&out[0], 0x020000000020, 6);
  put(&out[6], 0x020100000000 | camera, 6);
  put(&out[12], 0x0800, 2);
  std::uint8_t* ip = &out[14];
  put(ip, 0x4500, 2);
  put(ip + 2, 28 + rtp_octets, 2);
  put(ip + 4, packet & 0xffff, 2);
  put(ip + 6, 0x4000, 2);
  put(ip + 8, 0x4011, 2);
  put(ip + 12, 0xc6336401 + camera % 250, 4);
  put(ip + 16, 0xc0000214, 4);
  put(ip + 10, ip_checksum(ip), 2);
  std::uint8_t* udp = ip + 20;
  put(udp, 20000 + 2 * (camera / 250), 2);
  put(udp + 2, 10000 + 2 * camera, 2);
  put(udp + 4, 8 + rtp_octets, 2);
  return out;
}

class Maker {
 public:
  explicit Maker(const Options& options);
  void run();
  nlohmann::json told() const;

 private:
  bench::FrameShape& shape_of(const Camera& camera) { return camera.stamp.frame_in_gop == 0 ? key_ : frame_; }
  void write_file_header();
  void send_packet(Camera& camera);
  void write_record(const Camera& camera, std::span<const std::uint8_t> rtp);

  Options options_;
  bench::FrameShape key_;
  bench::FrameShape frame_;
  std::vector<Camera> cameras_;
  std::ofstream file_;
  std::vector<char> out_;
  std::uint64_t packets_ = 0;
  std::uint64_t octets_ = 0;
  std::uint64_t written_ = 0;
};

Maker::Maker(const Options& options)
    : options_(options), key_(true, false, options.bps / 8), frame_(false, false, options.bps / 8),
      file_(options.out, std::ios::binary) {
  file_.exceptions(std::ios::failbit | std::ios::badbit);
  cameras_.resize(options.streams);
  std::uint64_t noise = 20;
  const auto drawn = [&noise](std::uint64_t below) {
    noise = noise * 6364136223846793005ULL + 1442695040888963407ULL;
    return (noise >> 33) % below;
  };
  for (std::uint32_t i = 0; i < options.streams; ++i) {
    auto& camera = cameras_[i];
    camera.number = i;
    camera.first_frame_ns = drawn(frame_ns);
    camera.next_ns = camera.first_frame_ns;
    camera.stamp.ssrc = static_cast<std::uint32_t>(drawn(0x7fff'0000ULL)) << 1 ^ i;
    camera.stamp.sequence = static_cast<std::uint16_t>(drawn(65536));
    camera.stamp.rtp_time = static_cast<std::uint32_t>(drawn(1ULL << 31));
    camera.stamp.frame_in_gop = static_cast<int>(drawn(bench::gop_frames));
  }
}

void Maker::write_file_header() {
  static_assert(std::endian::native == std::endian::little);
  const std::array<std::uint32_t, 6> header = {0xa1b23c4d, 4 << 16 | 2, 0, 0, options_.snap, 1};  // LINKTYPE_ETHERNET
  file_.write(reinterpret_cast<const char*>(header.data()), sizeof header);
  written_ += sizeof header;
}

void Maker::write_record(const Camera& camera, std::span<const std::uint8_t> rtp) {
  const auto head = headers_of(camera.number, rtp.size(), packets_);
  const auto length = static_cast<std::uint32_t>(head.size() + rtp.size());
  const auto kept = std::min(length, options_.snap);
  const std::array<std::uint32_t, 4> record = {static_cast<std::uint32_t>(first_s + camera.next_ns / 1'000'000'000),
                                               static_cast<std::uint32_t>(camera.next_ns % 1'000'000'000), kept, length};
  const auto at = out_.size();
  out_.resize(at + record_header + length);
  std::memcpy(&out_[at], record.data(), record_header);
  std::memcpy(&out_[at + record_header], head.data(), head.size());
  std::memcpy(&out_[at + record_header + head.size()], rtp.data(), rtp.size());
  out_.resize(at + record_header + kept);
  ++packets_;
  octets_ += length;
}

void Maker::send_packet(Camera& camera) {
  auto& shape = shape_of(camera);
  const auto rtp = shape.stamp_packet(camera.packet, camera.stamp);
  camera.next_ns += (headers + rtp.size() + between_frames) * ns_an_octet;  // caught when it is through
  write_record(camera, rtp);
  ++camera.stamp.sequence;
  if (++camera.packet < shape.packets()) return;
  camera.packet = 0;
  camera.next_ns = std::max(camera.next_ns, camera.first_frame_ns + ++camera.frame * frame_ns);
  camera.stamp.rtp_time += bench::clock_hz / bench::frames_per_s;
  camera.stamp.frame_in_gop = (camera.stamp.frame_in_gop + 1) % bench::gop_frames;
}

void Maker::run() {
  using Due = std::pair<std::uint64_t, std::uint32_t>;
  std::priority_queue<Due, std::vector<Due>, std::greater<>> due;
  for (const auto& camera : cameras_) due.emplace(camera.next_ns, camera.number);
  const auto end_ns = static_cast<std::uint64_t>(options_.seconds * 1e9);
  const auto flush = [this] {
    file_.write(out_.data(), static_cast<std::streamsize>(out_.size()));
    written_ += out_.size();
    out_.clear();
  };
  write_file_header();
  while (!due.empty() && due.top().first < end_ns) {
    auto& camera = cameras_[due.top().second];
    due.pop();
    send_packet(camera);
    due.emplace(camera.next_ns, camera.number);
    if (out_.size() > 4'000'000) flush();
  }
  flush();
  file_.close();
}

nlohmann::json Maker::told() const {
  return {{"streams", options_.streams}, {"packets", packets_}, {"wire_octets", octets_}, {"file_octets", written_}};
}

}  // namespace

int main(int count, char** words) {
  Options options;
  CLI::App app("makes a capture of many camera streams");
  app.add_option("--out", options.out)->required();
  app.add_option("--streams", options.streams)->check(CLI::Range(1, 25000));
  app.add_option("--seconds", options.seconds);
  app.add_option("--bps", options.bps, "RTP payload of each stream")->check(CLI::Range(20'000, 50'000'000));
  app.add_option("--snap", options.snap)->check(CLI::Range(54, 262144));
  CLI11_PARSE(app, count, words);
  try {
    Maker maker(options);
    maker.run();
    std::puts(maker.told().dump().c_str());
  } catch (const std::exception& fault) {
    std::fprintf(stderr, "capture_maker: %s: %s\n", options.out.c_str(), fault.what());
    return 1;
  }
  return 0;
}
