// The least that reads a capture, as yardsticks for the tap. Each prints its counts as JSON.
//   bare_readers libpcap FILE     pcap_next_ex, packets and octets counted
//   bare_readers walk FILE        records out of 256 KiB pread blocks, one hash slot a stream (address and port): the floor
//   bare_readers copy FILE        the same blocks and nothing else
//   bare_readers live IF [MIB]    pcap_next_ex on an interface until SIGINT, libpcap's defaults but for the buffer's size;
//                                 "ready" once it listens
#include <fcntl.h>
#include <nlohmann/json.hpp>
#include <pcap/pcap.h>
#include <unistd.h>

#include <array>
#include <csignal>
#include <cstdio>
#include <cstring>
#include <stdexcept>
#include <string>
#include <system_error>
#include <vector>

namespace {

using Told = nlohmann::json;
constexpr std::size_t block_octets = 256 * 1024;
constexpr std::size_t file_header = 24;
constexpr std::size_t record_header = 16;
constexpr std::size_t slots = 65536;
constexpr std::size_t destination_port_at = 14 + 20 + 2;  // Ethernet without a tag, IPv4 without options
constexpr std::size_t source_address_at = 14 + 12;

// Loops over packets until the file ends or the loop is broken.
Told count_packets(pcap_t* capture) {
  std::uint64_t packets = 0;
  std::uint64_t octets = 0;
  pcap_pkthdr* header = nullptr;
  const u_char* data = nullptr;
  for (;;) {
    const int got = pcap_next_ex(capture, &header, &data);
    if (got == PCAP_ERROR) throw std::runtime_error(pcap_geterr(capture));
    if (got == PCAP_ERROR_BREAK) return {{"packets", packets}, {"octets", octets}};
    if (got == 0) continue;
    ++packets;
    octets += header->len;
  }
}

Told read_with_libpcap(const char* file) {
  std::array<char, PCAP_ERRBUF_SIZE> why{};
  pcap_t* capture = pcap_open_offline(file, why.data());
  if (capture == nullptr) throw std::runtime_error(why.data());
  auto told = count_packets(capture);
  pcap_close(capture);
  return told;
}

pcap_t* listening = nullptr;

Told read_live(const char* interface, int buffer_mib) {
  std::array<char, PCAP_ERRBUF_SIZE> why{};
  listening = pcap_create(interface, why.data());
  if (listening == nullptr) throw std::runtime_error(why.data());
  pcap_set_timeout(listening, 1000);  // as tcpdump has it; libpcap's own 0 may wait for ever
  pcap_set_promisc(listening, 1);
  if (buffer_mib > 0) pcap_set_buffer_size(listening, buffer_mib * 1024 * 1024);
  if (pcap_activate(listening) < 0) throw std::runtime_error(pcap_geterr(listening));
  std::signal(SIGINT, [](int) { pcap_breakloop(listening); });
  std::puts("ready");
  std::fflush(stdout);
  auto told = count_packets(listening);
  pcap_stat counts{};
  if (pcap_stats(listening, &counts) != 0) throw std::runtime_error(pcap_geterr(listening));
  told["received_by_kernel"] = counts.ps_recv;
  told["dropped_by_kernel"] = counts.ps_drop;
  pcap_close(listening);
  return told;
}

// Blocks of a file; what an unfinished record leaves goes to the front of the next one.
class Blocks {
 public:
  explicit Blocks(const char* file) : fd_(::open(file, O_RDONLY | O_CLOEXEC)), block_(block_octets) {
    if (fd_ < 0) throw std::system_error(errno, std::generic_category(), file);
  }
  ~Blocks() { ::close(fd_); }
  Blocks(const Blocks&) = delete;
  Blocks& operator=(const Blocks&) = delete;

  // Moves `kept` octets, which begin at `from`, to the front and reads behind them. Answers the octets now in the block,
  // or 0 where nothing more came.
  std::size_t next(std::size_t from = 0, std::size_t kept = 0) {
    std::memmove(block_.data(), block_.data() + from, kept);
    const auto got = ::pread(fd_, block_.data() + kept, block_.size() - kept, at_);
    if (got < 0) throw std::system_error(errno, std::generic_category(), "pread");
    at_ += got;
    return got == 0 ? 0 : kept + static_cast<std::size_t>(got);
  }
  const std::uint8_t* octets() const { return block_.data(); }

 private:
  int fd_;
  std::vector<std::uint8_t> block_;
  off_t at_ = 0;
};

std::uint32_t field(const std::uint8_t* at) {
  std::uint32_t out;
  std::memcpy(&out, at, sizeof out);
  return out;
}

// Open addressing: who sends to which port, and how many packets. Never full: at most half of it is used.
class Slots {
 public:
  Slots() : slots_(slots) {}

  void count(const std::uint8_t* frame) {
    std::uint64_t key;
    std::uint32_t ports;
    std::memcpy(&ports, frame + destination_port_at - 2, 4);
    key = static_cast<std::uint64_t>(field(frame + source_address_at)) << 32 | ports;
    auto at = (key * 0x9e3779b97f4a7c15ULL) >> 48;
    while (slots_[at].key != key) {
      if (slots_[at].key == 0) {
        if (++used_ > slots / 2) throw std::runtime_error("more streams than this yardstick has room for");
        slots_[at].key = key;
        break;
      }
      at = (at + 1) % slots;
    }
    ++slots_[at].packets;
  }

  std::size_t used() const { return used_; }
  std::uint64_t fewest() const {
    std::uint64_t out = UINT64_MAX;
    for (const auto& slot : slots_)
      if (slot.key != 0 && slot.packets < out) out = slot.packets;
    return used_ == 0 ? 0 : out;
  }

 private:
  struct Slot {
    std::uint64_t key = 0;
    std::uint64_t packets = 0;
  };
  std::vector<Slot> slots_;
  std::size_t used_ = 0;
};

Told walk(const char* file) {
  Blocks blocks(file);
  Slots streams;
  std::uint64_t packets = 0;
  std::uint64_t octets = 0;
  auto filled = blocks.next();
  if (filled < file_header) throw std::runtime_error("no pcap file");
  std::size_t at = file_header;
  while (filled != 0) {
    for (;;) {
      if (filled - at < record_header) break;
      const auto* record = blocks.octets() + at;
      const auto kept = field(record + 8);
      if (kept > block_octets - record_header) throw std::runtime_error("a record longer than a block");
      if (filled - at - record_header < kept) break;
      if (kept >= destination_port_at + 2) streams.count(record + record_header);
      ++packets;
      octets += field(record + 12);
      at += record_header + kept;
    }
    filled = blocks.next(at, filled - at);
    at = 0;
  }
  return {{"packets", packets}, {"octets", octets}, {"streams", streams.used()}, {"fewest_packets", streams.fewest()}};
}

Told copy(const char* file) {
  Blocks blocks(file);
  std::uint64_t octets = 0;
  while (const auto got = blocks.next()) octets += got;
  return {{"octets", octets}};
}

Told read_as(const std::string& how, char** words, int count) {
  if (how == "libpcap") return read_with_libpcap(words[2]);
  if (how == "walk") return walk(words[2]);
  if (how == "copy") return copy(words[2]);
  if (how == "live") return read_live(words[2], count > 3 ? std::stoi(words[3]) : 0);
  throw std::invalid_argument("no such reader: " + how);
}

}  // namespace

int main(int count, char** words) {
  if (count < 3) {
    std::fputs("bare_readers libpcap|walk|copy FILE, or live IF [BUFFER_MIB]\n", stderr);
    return 2;
  }
  try {
    std::puts(read_as(words[1], words, count).dump().c_str());
  } catch (const std::exception& fault) {
    std::fprintf(stderr, "bare_readers %s %s: %s\n", words[1], words[2], fault.what());
    return 1;
  }
  return 0;
}
