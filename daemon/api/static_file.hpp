// A file that the API serves as it stands: the page's.
#pragma once

#include <string_view>

namespace tallywire::api {

struct StaticFile {
  std::string_view path;
  std::string_view content_type;
  std::string_view content;
};

}  // namespace tallywire::api
