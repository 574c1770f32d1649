// Texts of other machines, fit for JSON, a terminal and the sheet: valid UTF-8 stays; an octet that is not part of it
// (RFC 3629 §4) and every control character become U+FFFD. NULs at the end are padding and go. Never throws.
#pragma once

#include "probes/wire/octets.hpp"

#include <string>
#include <string_view>

namespace tallywire::wire {

std::string printable(std::string_view octets);
std::string printable(Octets octets);
// What is no text: "00:0a:ff".
std::string octet_pairs(Octets octets);
// Ids that are a text from some senders and a number from others: as the text, or as pairs when any octet of it is none.
std::string printable_or_pairs(Octets octets);

}  // namespace tallywire::wire
