// A whole file as text, within a ceiling: a directory, a device without end or a file far too large is told, not read.
#pragma once

#include <cstddef>
#include <string>

namespace tallywire::config {

inline constexpr std::size_t largest_text_file_bytes = 32 * 1024 * 1024;

struct TextFile {
  std::string text;
  std::string fault;  // why it cannot be used; empty when it was read
};

TextFile read_text_file(const std::string& path);

}  // namespace tallywire::config
