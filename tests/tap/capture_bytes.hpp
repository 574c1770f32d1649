// Capture files written octet by octet, in either byte order: what no tool at hand writes any more, or never did. The
// layouts are those of draft-ietf-opsawg-pcap §4, §5 and draft-ietf-opsawg-pcapng §3.5, §4.
#pragma once

#include <cstdint>
#include <filesystem>
#include <fstream>
#include <functional>
#include <string>
#include <vector>

#include <unistd.h>

namespace tallywire::test {

using Bytes = std::vector<std::uint8_t>;

class CaptureBytes {
 public:
  explicit CaptureBytes(bool big_endian = false) : big_(big_endian) {}
  Bytes out;

  void number(std::uint64_t value, int octets) { put(out, value, octets); }
  void append(const Bytes& more) { out.insert(out.end(), more.begin(), more.end()); }

  void pcap_header(std::uint32_t magic, std::uint32_t link, std::uint32_t snap = 262144) {
    number(magic, 4);
    number(2, 2);
    number(4, 2);
    number(0, 8);
    number(snap, 4);
    number(link, 4);
  }
  // `extra`: octets between the header and the frame, as the modified form has them.
  void pcap_record(std::uint32_t seconds, std::uint32_t part, const Bytes& frame, std::uint32_t original, int extra = 0) {
    number(seconds, 4);
    number(part, 4);
    number(frame.size(), 4);
    number(original, 4);
    number(0, extra);
    append(frame);
  }

  void block(std::uint32_t type, const Bytes& body) {
    const auto padded = (body.size() + 3) / 4 * 4;
    number(type, 4);
    number(12 + padded, 4);
    append(body);
    out.resize(out.size() + padded - body.size());
    number(12 + padded, 4);
  }
  // Options as an option list with its end; empty: none at all.
  Bytes option(std::uint16_t code, std::uint64_t value, int octets) const {
    Bytes to;
    put(to, code, 2);
    put(to, static_cast<std::uint64_t>(octets), 2);
    put(to, value, octets);
    to.resize((to.size() + 3) / 4 * 4);
    return to;
  }
  void section() {
    block(0x0a0d0d0a, body({{0x1a2b3c4d, 4}, {1, 2}, {0, 2}, {~std::uint64_t{0}, 8}}, {}, {}));
  }
  void interface(std::uint16_t link, std::uint32_t snap, const Bytes& options = {}) {
    block(1, body({{link, 2}, {0, 2}, {snap, 4}}, {}, options));
  }
  void enhanced(std::uint32_t interface, std::uint64_t ticks, const Bytes& frame, std::uint32_t original,
                const Bytes& options = {}) {
    block(6, body({{interface, 4}, {ticks >> 32, 4}, {ticks & 0xffffffff, 4}, {frame.size(), 4}, {original, 4}}, frame,
                  options));
  }
  void obsolete(std::uint16_t interface, std::uint16_t drops, std::uint64_t ticks, const Bytes& frame,
                std::uint32_t original) {
    block(2, body({{interface, 2}, {drops, 2}, {ticks >> 32, 4}, {ticks & 0xffffffff, 4}, {frame.size(), 4}, {original, 4}},
                  frame, {}));
  }
  void simple(const Bytes& frame, std::uint32_t original) { block(3, body({{original, 4}}, frame, {})); }
  void statistics(std::uint32_t interface, const Bytes& options) {
    block(5, body({{interface, 4}, {0, 8}}, {}, options));
  }

 private:
  struct Field {
    std::uint64_t value;
    int octets;
  };
  void put(Bytes& to, std::uint64_t value, int octets) const {
    for (int i = 0; i < octets; ++i) {
      const int shift = 8 * (big_ ? octets - 1 - i : i);
      to.push_back(static_cast<std::uint8_t>(shift < 64 ? value >> shift : 0));
    }
  }
  Bytes body(const std::vector<Field>& fields, const Bytes& frame, const Bytes& options) const {
    Bytes to;
    for (const auto& field : fields) put(to, field.value, field.octets);
    to.insert(to.end(), frame.begin(), frame.end());
    to.resize((to.size() + 3) / 4 * 4);
    to.insert(to.end(), options.begin(), options.end());
    if (!options.empty()) to.resize(to.size() + 4);  // opt_endofopt
    return to;
  }
  bool big_;
};

// A frame of so many octets that looks like nothing else.
inline Bytes frame_of(std::size_t octets, unsigned seed) {
  Bytes out(octets);
  for (std::size_t i = 0; i < octets; ++i) out[i] = static_cast<std::uint8_t>(seed * 31 + i * 7 + (i >> 8));
  return out;
}

// A file that goes with this.
class FileOf {
 public:
  explicit FileOf(const Bytes& octets) {
    static int number = 0;
    path = std::filesystem::temp_directory_path() /
           ("tallywire-capture-" + std::to_string(::getpid()) + "-" + std::to_string(++number));
    std::ofstream(path, std::ios::binary)
        .write(reinterpret_cast<const char*>(octets.data()), static_cast<std::streamsize>(octets.size()));
  }
  ~FileOf() { std::filesystem::remove(path); }
  FileOf(const FileOf&) = delete;
  FileOf& operator=(const FileOf&) = delete;
  std::string path;
};

}  // namespace tallywire::test
