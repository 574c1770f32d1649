#include "probes/wire/ws_discovery.hpp"

#include "probes/wire/mac_address.hpp"
#include "probes/wire/printable.hpp"
#include "probes/wire/soap_xml.hpp"

#include <algorithm>
#include <charconv>

namespace tallywire::wire {
namespace {

constexpr std::size_t largest_message = 65507;  // a UDP datagram's
constexpr std::size_t most_devices = 64, most_words = 256;
constexpr std::string_view onvif_scope = "onvif://www.onvif.org/";

struct KindName {
  WsDiscoveryKind kind;
  const char* element;  // of the SOAP body
  const char* name;
};
constexpr KindName kinds[] = {
    {WsDiscoveryKind::hello, "Hello", "hello"},
    {WsDiscoveryKind::bye, "Bye", "bye"},
    {WsDiscoveryKind::probe, "Probe", "probe"},
    {WsDiscoveryKind::probe_matches, "ProbeMatches", "probe_matches"},
    {WsDiscoveryKind::resolve, "Resolve", "resolve"},
    {WsDiscoveryKind::resolve_matches, "ResolveMatches", "resolve_matches"},
};

char lower(char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c; }

bool begins_with(std::string_view text, std::string_view beginning) {
  return text.size() >= beginning.size() &&
         std::equal(beginning.begin(), beginning.end(), text.begin(), [](char a, char b) { return a == lower(b); });
}

// A list of XML Schema: words between blanks, at most 256.
std::vector<std::string> words_of(const std::string& text) {
  std::vector<std::string> out;
  const char* const blanks = " \t\r\n";
  std::size_t at = 0;
  while (out.size() < most_words && (at = text.find_first_not_of(blanks, at)) != std::string::npos) {
    const auto end = std::min(text.find_first_of(blanks, at), text.size());
    out.push_back(text.substr(at, end - at));
    at = end;
  }
  return out;
}

template <class Number>
std::optional<Number> whole_number(const std::string& text) {
  Number value = 0;
  const auto [end, code] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (text.empty() || code != std::errc() || end != text.data() + text.size()) return std::nullopt;
  return value;
}

int digit(char c) {
  if (c >= '0' && c <= '9') return c - '0';
  c = lower(c);
  return c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

// RFC 3986 §2.1. A percent sign that begins no octet stands for itself.
std::string percent_decoded(std::string_view text) {
  std::string out;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const bool coded = text[i] == '%' && i + 2 < text.size() && digit(text[i + 1]) >= 0 && digit(text[i + 2]) >= 0;
    out += coded ? static_cast<char>(digit(text[i + 1]) << 4 | digit(text[i + 2])) : text[i];
    if (coded) i += 2;
  }
  return printable(out);
}

// "02:00:00:00:00:01" for twelve digits with or without signs between them; what is no such address stays as it is.
std::string hardware_address_of(std::string text) {
  std::string pairs;
  std::size_t digits = 0;
  for (const char c : text) {
    if (c == ':' || c == '-' || c == '.') continue;
    if (digits > 0 && digits % 2 == 0) pairs += ':';
    pairs += c;
    ++digits;
  }
  const auto address = decode_mac(pairs);
  return address ? address->text() : text;
}

// ONVIF Core, scopes: name, hardware, location, MacAddress, SerialNumber. "mac" and "serial": common practice of units.
void read_scope(const std::string& scope, WsDiscoveryDevice& out) {
  if (!begins_with(scope, onvif_scope)) return;
  const auto rest = std::string_view(scope).substr(onvif_scope.size());
  const auto slash = rest.find('/');
  if (slash == std::string_view::npos || slash + 1 == rest.size()) return;
  std::string category(rest.substr(0, slash));
  std::transform(category.begin(), category.end(), category.begin(), lower);
  const auto value = percent_decoded(rest.substr(slash + 1));
  const auto set = [&](std::string& field, const std::string& text) {
    if (field.empty()) field = text;
  };
  if (category == "name") set(out.name, value);
  if (category == "hardware") set(out.hardware, value);
  if (category == "location") out.location += (out.location.empty() ? "" : ", ") + value;
  if (category == "serialnumber" || category == "serial") set(out.serial, value);
  if (category == "macaddress" || category == "mac") set(out.hardware_address, hardware_address_of(value));
}

WsDiscoveryDevice device_of(const pugi::xml_node& node) {
  WsDiscoveryDevice out;
  out.endpoint = text_of(child_of(node, "EndpointReference"), "Address");
  for (const auto& type : words_of(text_of(node, "Types"))) out.types.push_back(type.substr(type.find(':') + 1));
  out.scopes = words_of(text_of(node, "Scopes"));
  out.service_addresses = words_of(text_of(node, "XAddrs"));
  out.metadata_version = whole_number<std::uint32_t>(text_of(node, "MetadataVersion")).value_or(0);
  for (const auto& scope : out.scopes) read_scope(scope, out);
  return out;
}

void read_devices(const pugi::xml_node& node, WsDiscoveryMessage& out) {
  if (out.kind == WsDiscoveryKind::hello || out.kind == WsDiscoveryKind::bye) out.devices.push_back(device_of(node));
  const char* match = out.kind == WsDiscoveryKind::probe_matches     ? "ProbeMatch"
                      : out.kind == WsDiscoveryKind::resolve_matches ? "ResolveMatch"
                                                                     : nullptr;
  if (!match) return;
  for (const auto& child : node.children())
    if (is_called(child, match) && out.devices.size() < most_devices) out.devices.push_back(device_of(child));
}

}  // namespace

std::optional<WsDiscoveryMessage> decode_ws_discovery(Octets payload) {
  const std::string_view text(reinterpret_cast<const char*>(payload.data()), payload.size());
  pugi::xml_document document;
  const auto envelope = envelope_in(document, text, largest_message);
  const auto body = child_of(envelope, "Body"), header = child_of(envelope, "Header");
  for (const auto& kind : kinds) {
    const auto said = child_of(body, kind.element);
    if (!said) continue;
    WsDiscoveryMessage out;
    out.kind = kind.kind;
    out.message_id = text_of(header, "MessageID");
    out.relates_to = text_of(header, "RelatesTo");
    out.instance = whole_number<std::uint64_t>(attribute_of(child_of(header, "AppSequence"), "InstanceId"));
    read_devices(said, out);
    return out;
  }
  return std::nullopt;
}

std::string encode_ws_discovery_probe(const std::string& message_id, WsDiscoveryAim aim) {
  const bool typed = aim == WsDiscoveryAim::network_video_transmitter;
  return R"(<?xml version="1.0" encoding="UTF-8"?>)"
         R"(<s:Envelope xmlns:s="http://www.w3.org/2003/05/soap-envelope")"
         R"( xmlns:a="http://schemas.xmlsoap.org/ws/2004/08/addressing")"
         R"( xmlns:d="http://schemas.xmlsoap.org/ws/2005/04/discovery"><s:Header>)"
         "<a:Action>http://schemas.xmlsoap.org/ws/2005/04/discovery/Probe</a:Action>"
         "<a:MessageID>" +
         escaped_xml(message_id) +
         "</a:MessageID><a:To>urn:schemas-xmlsoap-org:ws:2005:04:discovery</a:To>"
         "</s:Header><s:Body>" +
         (typed ? R"(<d:Probe xmlns:dn="http://www.onvif.org/ver10/network/wsdl"><d:Types>dn:NetworkVideoTransmitter</d:Types></d:Probe>)" : "<d:Probe/>") +
         "</s:Body></s:Envelope>";
}

const char* name_of(WsDiscoveryKind kind) {
  for (const auto& one : kinds)
    if (one.kind == kind) return one.name;
  return "unknown";
}

}  // namespace tallywire::wire
