// Texts of other machines, fit for JSON and a terminal: valid UTF-8 stays; an octet that is not part of it, and every
// control character, becomes U+FFFD. NULs at the end are padding and go.
#pragma once

#include <string>
#include <string_view>

namespace tallywire::link {

std::string printable(std::string_view octets);

}  // namespace tallywire::link
