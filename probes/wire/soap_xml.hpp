// SOAP messages as a tree, for the ONVIF and WS-Discovery decoders of this folder only: pugixml stays inside. Nodes live as
// long as their document. Prefixes are not looked at: units choose them as they like.
#pragma once

#include "probes/fault.hpp"

#include <optional>
#include <pugixml.hpp>
#include <string>
#include <string_view>

namespace tallywire::wire {

// A child or, with find_inside, the first descendant of this local name; an empty node when there is none.
pugi::xml_node child_of(const pugi::xml_node& node, const char* local);
pugi::xml_node find_inside(const pugi::xml_node& from, const char* local);
bool is_called(const pugi::xml_node& node, const char* local);

// The text of a child, blanks around it cut off, as printable UTF-8.
std::string text_of(const pugi::xml_node& node, const char* local);
std::string attribute_of(const pugi::xml_node& node, const char* local);
// A number that stands for itself: nothing when it is none, not finite, or outside [low, high].
std::optional<double> number_of(const std::string& text, double low, double high);

std::string escaped_xml(std::string_view text);

// Parses `body` and answers the SOAP envelope; an empty node when it is larger than `largest`, has a DOCTYPE, is nested deeper
// than any such message, is no XML, or no envelope.
pugi::xml_node envelope_in(pugi::xml_document& document, std::string_view body, std::size_t largest);

// Parses `body` and answers the child of the SOAP body that is called `name`. `malformed`: larger than `largest`, a
// DOCTYPE, nested deeper than any such answer, no XML, or no such child. A SOAP fault is `refused` when it asks for a
// login, `unsupported` otherwise.
Outcome<pugi::xml_node> answer_in(pugi::xml_document& document, std::string_view body, const char* name,
                                  std::size_t largest, const std::string& where);

}  // namespace tallywire::wire
