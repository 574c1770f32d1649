// capture_frames [--count] FILE: what tap::CaptureFile hands out, for tests to hold against other readers. A line a
// frame: number, nanoseconds since 1970, captured octets, original octets, link layer, MD5 of the octets. --count:
// only the sums, as fast as it goes. "damage …" at the end when there is any; exit code 2 when it is no capture.
#include "probes/tap/capture_file.hpp"

#include <openssl/evp.h>

#include <cinttypes>
#include <cstdio>
#include <string_view>

using namespace tallywire;

namespace {

// As tshark prints it: frame.md5_hash.
void print_md5(wire::Octets octets) {
  unsigned char sum[EVP_MAX_MD_SIZE] = {};
  unsigned size = 0;
  EVP_Digest(octets.data(), octets.size(), sum, &size, EVP_md5(), nullptr);
  for (unsigned i = 0; i < size; ++i) std::printf("%02x", sum[i]);
}

void print(std::uint64_t number, const tap::CapturedFrame& frame) {
  std::printf("%" PRIu64 " %" PRId64 " %zu %" PRIu32 " %d ", number,
              std::int64_t{frame.when.time_since_epoch().count()}, frame.octets.size(), frame.original_octets,
              static_cast<int>(frame.link));
  print_md5(frame.octets);
  std::printf("\n");
}

}  // namespace

int main(int count, char** arguments) {
  const bool only_count = count == 3 && std::string_view(arguments[1]) == "--count";
  if (count != 2 && !only_count) {
    std::fprintf(stderr, "usage: capture_frames [--count] FILE\n");
    return 2;
  }
  const auto file = tap::CaptureFile::open(arguments[count - 1]);
  if (!file) {
    std::fprintf(stderr, "%s\n", file.error().sentence().c_str());
    return 2;
  }
  std::uint64_t number = 0, octets = 0;
  for (auto frames = (*file)->next(); !frames.empty(); frames = (*file)->next()) {
    for (const auto& frame : frames) {
      octets += frame.original_octets;
      if (!only_count) print(++number, frame);
    }
  }
  if (only_count) std::printf("%" PRIu64 " frames, %" PRIu64 " octets\n", (*file)->frames(), octets);
  std::printf("format %s\n", (*file)->format().c_str());
  const auto loss = (*file)->loss();
  std::printf("lost %" PRIu64 " %" PRIu64 "\n", loss.by_kernel, loss.by_interface);
  for (const auto link : (*file)->unknown_links()) std::printf("unknown %" PRIu32 "\n", link);
  if ((*file)->damage()) std::printf("damage %s\n", (*file)->damage()->sentence().c_str());
}
