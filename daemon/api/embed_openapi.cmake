# Writes a .cpp that holds the description of the API as octets. Called with OUT and FROM.
file(READ ${FROM} hex HEX)
string(REGEX REPLACE "([0-9a-f][0-9a-f])" "0x\\1," octets "${hex}")
file(WRITE ${OUT} "// Made from docs/openapi.json by embed_openapi.cmake.
#include <string_view>

namespace tallywire::api {

std::string_view openapi_text();

namespace {
const unsigned char octets[] = {${octets}};
}  // namespace

std::string_view openapi_text() { return {reinterpret_cast<const char*>(octets), sizeof octets}; }

}  // namespace tallywire::api
")
