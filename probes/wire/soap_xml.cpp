#include "probes/wire/soap_xml.hpp"

#include "probes/wire/printable.hpp"

#include <charconv>
#include <cmath>
#include <cstring>

namespace tallywire::wire {
namespace {

constexpr int deepest_look = 32;
constexpr int deepest = 128;

pugi::xml_node find(const pugi::xml_node& from, const char* local, int depth) {
  if (depth > deepest_look) return {};
  for (const auto& child : from.children()) {
    if (is_called(child, local)) return child;
    if (const auto found = find(child, local, depth + 1)) return found;
  }
  return {};
}

bool nested_too_deep(std::string_view body) {
  int depth = 0;
  std::size_t end = 0;
  for (std::size_t i = 0; i + 1 < body.size(); ++i) {
    if (body[i] != '<') continue;
    if (body[i + 1] == '/')
      --depth;
    else if (body[i + 1] != '?' && body[i + 1] != '!') {
      if (end <= i) end = body.find('>', i);  // not anew for each '<': a megabyte of them would take seconds
      if (end == std::string_view::npos) break;  // cut off: the parser says so
      if (body[end - 1] == '/') continue;
      if (++depth > deepest) return true;
    }
  }
  return false;
}

std::string trimmed(std::string_view text) {
  const char* const blanks = " \t\r\n";
  const auto begin = text.find_first_not_of(blanks);
  if (begin == std::string_view::npos) return {};
  return printable(text.substr(begin, text.find_last_not_of(blanks) - begin + 1));
}

const char* local_name(const char* name) {
  const char* colon = std::strchr(name, ':');
  return colon ? colon + 1 : name;
}

Fault malformed(const std::string& where) {
  return {FaultKind::malformed, "the unit's answer is no ONVIF", where,
          "check the port, and that ONVIF is switched on in the unit"};
}

Fault fault_of(const pugi::xml_node& fault, const std::string& where) {
  const auto subcode = find_inside(fault, "Subcode");
  const auto all = text_of(subcode, "Value") + " " + text_of(child_of(subcode, "Subcode"), "Value");
  if (all.find("NotAuthorized") != std::string::npos || all.find("FailedAuthentication") != std::string::npos)
    return {FaultKind::refused, "login refused", where,
            "correct the secret; it was tried once, so that the unit locks nobody out"};
  auto text = std::string_view(find_inside(fault, "Text").child_value());
  return {FaultKind::unsupported, "the unit answered a fault: " + trimmed(text.substr(0, 200)), where, ""};
}

}  // namespace

bool is_called(const pugi::xml_node& node, const char* local) {
  return std::strcmp(local_name(node.name()), local) == 0;
}

pugi::xml_node child_of(const pugi::xml_node& node, const char* local) {
  for (const auto& child : node.children())
    if (is_called(child, local)) return child;
  return {};
}

pugi::xml_node find_inside(const pugi::xml_node& from, const char* local) { return find(from, local, 0); }

std::string text_of(const pugi::xml_node& node, const char* local) {
  return trimmed(child_of(node, local).child_value());
}

std::string attribute_of(const pugi::xml_node& node, const char* local) {
  for (const auto& attribute : node.attributes())
    if (std::strcmp(local_name(attribute.name()), local) == 0) return trimmed(attribute.value());
  return {};
}

std::optional<double> number_of(const std::string& text, double low, double high) {
  double value = 0;
  const auto [end, code] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (code != std::errc() || end != text.data() + text.size() || !std::isfinite(value)) return std::nullopt;
  if (value < low || value > high) return std::nullopt;
  return value;
}

std::string escaped_xml(std::string_view text) {
  std::string out;
  for (const char c : text) {
    switch (c) {
      case '&': out += "&amp;"; break;
      case '<': out += "&lt;"; break;
      case '>': out += "&gt;"; break;
      case '"': out += "&quot;"; break;
      default: out += c;
    }
  }
  return out;
}

pugi::xml_node envelope_in(pugi::xml_document& document, std::string_view body, std::size_t largest) {
  if (body.size() > largest || body.find("<!DOCTYPE") != std::string_view::npos || nested_too_deep(body)) return {};
  if (!document.load_buffer(body.data(), body.size(), pugi::parse_default)) return {};
  return child_of(document, "Envelope");
}

Outcome<pugi::xml_node> answer_in(pugi::xml_document& document, std::string_view body, const char* name,
                                  std::size_t largest, const std::string& where) {
  const auto soap = child_of(envelope_in(document, body, largest), "Body");
  if (const auto fault = child_of(soap, "Fault")) return fault_of(fault, where);
  const auto found = child_of(soap, name);
  if (!found) return malformed(where);
  return found;
}

}  // namespace tallywire::wire
