#include "probes/wire/onvif.hpp"

#include "probes/wire/base64.hpp"

#include <openssl/evp.h>

#include <algorithm>
#include <array>
#include <cstring>
#include <ctime>
#include <pugixml.hpp>

namespace tallywire::wire {
namespace {

constexpr const char* device_namespace = "http://www.onvif.org/ver10/device/wsdl";
constexpr int deepest = 32;

std::string escaped(std::string_view text) {
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

std::string security_header(const SoapLogin& login) {
  auto created = to_rfc3339(login.unit_time);
  created = created.substr(0, 19) + "Z";  // whole seconds: some units read no fraction
  return "<s:Header><Security s:mustUnderstand=\"1\" "
         "xmlns=\"http://docs.oasis-open.org/wss/2004/01/oasis-200401-wss-wssecurity-secext-1.0.xsd\">"
         "<UsernameToken><Username>" + escaped(login.login.user) +
         "</Username><Password Type=\"http://docs.oasis-open.org/wss/2004/01/"
         "oasis-200401-wss-username-token-profile-1.0#PasswordDigest\">" +
         username_token_digest(login.nonce, created, login.login.password) +
         "</Password><Nonce EncodingType=\"http://docs.oasis-open.org/wss/2004/01/"
         "oasis-200401-wss-soap-message-security-1.0#Base64Binary\">" + encode_base64(Octets(login.nonce)) +
         "</Nonce><Created xmlns=\"http://docs.oasis-open.org/wss/2004/01/"
         "oasis-200401-wss-wssecurity-utility-1.0.xsd\">" + created +
         "</Created></UsernameToken></Security></s:Header>";
}

// The name without its prefix: units choose prefixes as they like.
bool is(const pugi::xml_node& node, const char* local) {
  const char* colon = std::strchr(node.name(), ':');
  return std::strcmp(colon ? colon + 1 : node.name(), local) == 0;
}

// The first element of this name, depth first.
pugi::xml_node find(const pugi::xml_node& from, const char* local, int depth = 0) {
  if (depth > deepest) return {};
  for (const auto& child : from.children()) {
    if (is(child, local)) return child;
    if (const auto found = find(child, local, depth + 1)) return found;
  }
  return {};
}

bool nested_too_deep(std::string_view body) {
  int depth = 0;
  for (std::size_t i = 0; i + 1 < body.size(); ++i) {
    if (body[i] != '<') continue;
    if (body[i + 1] == '/')
      --depth;
    else if (body[i + 1] != '?' && body[i + 1] != '!') {
      const auto end = body.find('>', i);
      if (end == std::string_view::npos) break;  // cut off: the parser says so; looking on for each '<' takes seconds
      if (body[end - 1] == '/') continue;
      if (++depth > deepest * 4) return true;
    }
  }
  return false;
}

// Octets from `at` that are one character of UTF-8 (RFC 3629 §4); 0 where they are none.
std::size_t character_at(std::string_view text, std::size_t at) {
  const auto octet = [&](std::size_t i) { return i < text.size() ? static_cast<unsigned char>(text[i]) : 0u; };
  const auto first = octet(at), second = octet(at + 1);
  if (first < 0x80) return 1;
  const std::size_t length = first < 0xc2 ? 0 : first < 0xe0 ? 2 : first < 0xf0 ? 3 : first < 0xf5 ? 4 : 0;
  // Overlong forms, surrogates, and what lies above U+10FFFF.
  if ((first == 0xe0 && second < 0xa0) || (first == 0xed && second > 0x9f) || (first == 0xf0 && second < 0x90) ||
      (first == 0xf4 && second > 0x8f))
    return 0;
  for (std::size_t i = 1; i < length; ++i)
    if ((octet(at + i) & 0xc0) != 0x80) return 0;
  return length;
}

// Units write their names in whatever code their maker had; the record and the sheet hold UTF-8 only.
std::string utf8(std::string_view text) {
  std::string out;
  for (std::size_t at = 0; at < text.size();) {
    const auto length = character_at(text, at);
    if (length)
      out += text.substr(at, length);
    else
      out += '?';
    at += length ? length : 1;
  }
  return out;
}

Fault malformed(const std::string& where) {
  return {FaultKind::malformed, "the unit's answer is no ONVIF", where,
          "check the port, and that ONVIF is switched on in the unit"};
}

// Parses and finds the answer; a SOAP fault becomes a Fault.
Outcome<pugi::xml_node> answer_in(pugi::xml_document& document, std::string_view body, const char* name,
                                  const std::string& where) {
  if (body.size() > largest_soap || body.find("<!DOCTYPE") != std::string_view::npos || nested_too_deep(body))
    return malformed(where);
  if (!document.load_buffer(body.data(), body.size(), pugi::parse_default)) return malformed(where);
  if (const auto fault = find(document, "Fault")) {
    const auto subcode = find(fault, "Subcode");
    const std::string code = find(subcode, "Value").child_value(), text = find(fault, "Text").child_value();
    const std::string all = code + " " + find(find(subcode, "Subcode"), "Value").child_value();
    if (all.find("NotAuthorized") != std::string::npos || all.find("FailedAuthentication") != std::string::npos)
      return Fault{FaultKind::refused, "login refused", where,
                   "correct the secret; it was tried once, so that the unit locks nobody out"};
    return Fault{FaultKind::unsupported, "the unit answered a fault: " + utf8(text.substr(0, 200)), where, ""};
  }
  const auto found = find(document, name);
  if (!found) return malformed(where);
  return found;
}

}  // namespace

std::string username_token_digest(Octets nonce, std::string_view created, std::string_view password) {
  std::vector<std::uint8_t> text(nonce.begin(), nonce.end());
  text.insert(text.end(), created.begin(), created.end());
  text.insert(text.end(), password.begin(), password.end());
  std::array<std::uint8_t, EVP_MAX_MD_SIZE> out{};
  unsigned length = 0;
  EVP_Digest(text.data(), text.size(), out.data(), &length, EVP_sha1(), nullptr);
  return encode_base64(Octets(out.data(), length));
}

OnvifRequest encode_onvif(const std::string& operation, const std::optional<SoapLogin>& login) {
  OnvifRequest out;
  out.content_type = "application/soap+xml; charset=utf-8; action=\"" + std::string(device_namespace) +
                     "/" + operation + "\"";
  out.body = "<?xml version=\"1.0\" encoding=\"utf-8\"?>"
             "<s:Envelope xmlns:s=\"http://www.w3.org/2003/05/soap-envelope\">" +
             (login ? security_header(*login) : std::string()) + "<s:Body><" + operation + " xmlns=\"" +
             device_namespace + "\"/></s:Body></s:Envelope>";
  return out;
}

Outcome<UnitTime> decode_unit_time(std::string_view body, const std::string& where) {
  pugi::xml_document document;
  auto answer = answer_in(document, body, "SystemDateAndTime", where);
  if (!answer) return answer.error();
  const auto utc = find(*answer, "UTCDateTime");
  const auto date = find(utc, "Date"), time = find(utc, "Time");
  if (!utc || !date || !time)
    return Fault{FaultKind::unsupported, "the unit tells no UTC time", where, "set its time zone and clock"};
  const auto number = [](const pugi::xml_node& in, const char* name) {
    return std::max(find(in, name).text().as_int(-1), -1);  // the least int less 1900 would overflow
  };
  std::tm parts{};
  parts.tm_year = number(date, "Year") - 1900;
  parts.tm_mon = number(date, "Month") - 1;
  parts.tm_mday = number(date, "Day");
  parts.tm_hour = number(time, "Hour");
  parts.tm_min = number(time, "Minute");
  parts.tm_sec = number(time, "Second");
  if (parts.tm_year < 0 || parts.tm_year > 300 || parts.tm_mon < 0 || parts.tm_mon > 11 || parts.tm_mday < 1 ||
      parts.tm_mday > 31 || parts.tm_hour < 0 || parts.tm_hour > 23 || parts.tm_min < 0 || parts.tm_min > 59 ||
      parts.tm_sec < 0 || parts.tm_sec > 61)
    return malformed(where);
  UnitTime out;
  out.utc = SystemTime(std::chrono::seconds(timegm(&parts)));
  out.by_ntp = std::strcmp(find(*answer, "DateTimeType").child_value(), "NTP") == 0;
  return out;
}

Outcome<UnitInformation> decode_unit_information(std::string_view body, const std::string& where) {
  pugi::xml_document document;
  auto answer = answer_in(document, body, "GetDeviceInformationResponse", where);
  if (!answer) return answer.error();
  UnitInformation out;
  out.manufacturer = utf8(find(*answer, "Manufacturer").child_value());
  out.model = utf8(find(*answer, "Model").child_value());
  out.firmware = utf8(find(*answer, "FirmwareVersion").child_value());
  out.serial = utf8(find(*answer, "SerialNumber").child_value());
  return out;
}

}  // namespace tallywire::wire
