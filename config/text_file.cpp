#include "config/text_file.hpp"

#include <cerrno>
#include <cstring>
#include <filesystem>
#include <fstream>

namespace tallywire::config {

TextFile read_text_file(const std::string& path) {
  TextFile out;
  std::error_code code;
  if (std::filesystem::is_directory(path, code)) {
    out.fault = "this is a directory, not a file";
    return out;
  }
  std::ifstream in(path, std::ios::binary);
  if (!in) {
    out.fault = std::string("the file cannot be read: ") + std::strerror(errno);
    return out;
  }
  char block[64 * 1024];
  while (in.read(block, sizeof block), in.gcount() > 0) {
    out.text.append(block, static_cast<std::size_t>(in.gcount()));
    if (out.text.size() <= largest_text_file_bytes) continue;
    out.text.clear();
    out.fault = "the file is larger than 32 MiB: no file of this kind is";
    return out;
  }
  return out;
}

}  // namespace tallywire::config
