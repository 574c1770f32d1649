# Writes a .cpp that holds the page's files as octets. Called with OUT, WEB and FILES.
set(types ".html=text/html" ".css=text/css" ".js=text/javascript" ".svg=image/svg+xml")
set(arrays "")
set(table "")
set(index 0)
foreach(name ${FILES})
  file(READ ${WEB}/${name} hex HEX)
  string(REGEX REPLACE "([0-9a-f][0-9a-f])" "0x\\1," octets "${hex}")
  string(APPEND arrays "const unsigned char file_${index}[] = {${octets}};\n")
  get_filename_component(ending ${name} LAST_EXT)
  set(type "application/octet-stream")
  foreach(pair ${types})
    string(REPLACE "=" ";" pair "${pair}")
    list(GET pair 0 key)
    if(key STREQUAL ending)
      list(GET pair 1 type)
    endif()
  endforeach()
  if(name STREQUAL "index.html")
    set(path "/")
  else()
    set(path "/board/${name}")
  endif()
  string(APPEND table "    {\"${path}\", \"${type}; charset=utf-8\", text_of(file_${index}, sizeof file_${index})},\n")
  math(EXPR index "${index} + 1")
endforeach()
file(WRITE ${OUT} "// Made from daemon/board/web by embed.cmake.
#include \"daemon/board/files.hpp\"

namespace tallywire::board {
namespace {

${arrays}
std::string_view text_of(const unsigned char* octets, std::size_t size) {
  return {reinterpret_cast<const char*>(octets), size};
}

}  // namespace

std::span<const api::StaticFile> files() {
  static const api::StaticFile all[] = {
${table}  };
  return all;
}

}  // namespace tallywire::board
")
