// The page's files, embedded in the binary.
#pragma once

#include "daemon/api/static_file.hpp"

#include <span>

namespace tallywire::board {

// "/" and "/board/…".
std::span<const api::StaticFile> files();

}  // namespace tallywire::board
