// Drives one fuzzer over files and folders of seeds, whole and cut off after every octet: what the normal tests run,
// with any compiler. Ends with 0 when every property held, 2 when there was nothing to replay.
#include "tests/fuzz/fuzz.hpp"

#include <filesystem>
#include <fstream>
#include <iterator>
#include <vector>

namespace {

// Larger seeds are replayed whole only: every cut of them would take minutes.
constexpr std::size_t largest_cut = 4096;

std::vector<std::uint8_t> octets_of(const std::filesystem::path& file) {
  std::ifstream in(file, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
}

// A copy of its own for each length, so that a sanitizer sees a read past the end.
void replay(const std::vector<std::uint8_t>& seed) {
  LLVMFuzzerTestOneInput(seed.data(), seed.size());
  if (seed.size() > largest_cut) return;
  for (std::size_t length = 0; length < seed.size(); ++length) {
    const std::vector<std::uint8_t> cut(seed.begin(), seed.begin() + static_cast<std::ptrdiff_t>(length));
    LLVMFuzzerTestOneInput(cut.data(), cut.size());
  }
}

}  // namespace

int main(int count, char** arguments) {
  int files = 0;
  for (int i = 1; i < count; ++i) {
    const std::filesystem::path path(arguments[i]);
    std::vector<std::filesystem::path> found;
    if (std::filesystem::is_directory(path)) {
      for (const auto& entry : std::filesystem::directory_iterator(path)) found.push_back(entry.path());
    } else {
      found.push_back(path);
    }
    for (const auto& file : found) {
      std::fprintf(stderr, "%s\n", file.c_str());
      replay(octets_of(file));
      ++files;
    }
  }
  std::printf("%d seeds replayed\n", files);
  return files > 0 ? 0 : 2;
}
