#include "probes/wire/onvif.hpp"

#include "probes/wire/base64.hpp"
#include "probes/wire/onvif_media.hpp"
#include "probes/wire/soap_xml.hpp"

#include <openssl/evp.h>

#include <array>
#include <ctime>

namespace tallywire::wire {
namespace {

std::string security_header(const SoapLogin& login) {
  auto created = to_rfc3339(login.unit_time);
  created = created.substr(0, 19) + "Z";  // whole seconds: some units read no fraction
  return "<s:Header><Security s:mustUnderstand=\"1\" "
         "xmlns=\"http://docs.oasis-open.org/wss/2004/01/oasis-200401-wss-wssecurity-secext-1.0.xsd\">"
         "<UsernameToken><Username>" + escaped_xml(login.login.user) +
         "</Username><Password Type=\"http://docs.oasis-open.org/wss/2004/01/"
         "oasis-200401-wss-username-token-profile-1.0#PasswordDigest\">" +
         username_token_digest(login.nonce, created, login.login.password) +
         "</Password><Nonce EncodingType=\"http://docs.oasis-open.org/wss/2004/01/"
         "oasis-200401-wss-soap-message-security-1.0#Base64Binary\">" + encode_base64(Octets(login.nonce)) +
         "</Nonce><Created xmlns=\"http://docs.oasis-open.org/wss/2004/01/"
         "oasis-200401-wss-wssecurity-utility-1.0.xsd\">" + created +
         "</Created></UsernameToken></Security></s:Header>";
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

OnvifRequest encode_onvif(const OnvifQuestion& question, const std::optional<SoapLogin>& login) {
  OnvifRequest out;
  out.content_type =
      "application/soap+xml; charset=utf-8; action=\"" + question.service + "/" + question.operation + "\"";
  const auto& name = question.operation;
  const auto opening = "<" + name + " xmlns=\"" + question.service + "\"";
  out.body = "<?xml version=\"1.0\" encoding=\"utf-8\"?>"
             "<s:Envelope xmlns:s=\"http://www.w3.org/2003/05/soap-envelope\">" +
             (login ? security_header(*login) : std::string()) + "<s:Body>" +
             (question.arguments.empty() ? opening + "/>" : opening + ">" + question.arguments + "</" + name + ">") +
             "</s:Body></s:Envelope>";
  return out;
}

OnvifQuestion ask_unit_time() { return {device_service, "GetSystemDateAndTime"}; }
OnvifQuestion ask_unit_information() { return {device_service, "GetDeviceInformation"}; }
OnvifQuestion ask_services() {
  return {device_service, "GetServices", "<IncludeCapability>false</IncludeCapability>"};
}
OnvifQuestion ask_capabilities() { return {device_service, "GetCapabilities", "<Category>Media</Category>"}; }

Outcome<UnitTime> decode_unit_time(std::string_view body, const std::string& where) {
  pugi::xml_document document;
  auto answer = answer_in(document, body, "GetSystemDateAndTimeResponse", largest_soap, where);
  if (!answer) return answer.error();
  const auto told = child_of(*answer, "SystemDateAndTime");
  const auto utc = child_of(told, "UTCDateTime");
  const auto date = child_of(utc, "Date"), time = child_of(utc, "Time");
  if (!date || !time)
    return Fault{FaultKind::unsupported, "the unit tells no UTC time", where, "set its time zone and clock"};
  struct Field {
    const pugi::xml_node& in;
    const char* name;
    int low, high;
  };
  const Field fields[] = {{date, "Year", 1900, 2200}, {date, "Month", 1, 12},  {date, "Day", 1, 31},
                          {time, "Hour", 0, 23},      {time, "Minute", 0, 59}, {time, "Second", 0, 61}};
  std::array<int, 6> n{};
  for (std::size_t i = 0; i < n.size(); ++i) {
    const auto value = number_of(text_of(fields[i].in, fields[i].name), fields[i].low, fields[i].high);
    if (!value)
      return Fault{FaultKind::malformed, "the unit's clock tells no " + std::string(fields[i].name), where,
                   "set its clock, then repeat"};
    n[i] = static_cast<int>(*value);
  }
  std::tm parts{};
  parts.tm_year = n[0] - 1900;
  parts.tm_mon = n[1] - 1;
  parts.tm_mday = n[2];
  parts.tm_hour = n[3];
  parts.tm_min = n[4];
  parts.tm_sec = n[5];
  UnitTime out;
  out.utc = SystemTime(std::chrono::seconds(timegm(&parts)));
  out.by_ntp = text_of(told, "DateTimeType") == "NTP";
  return out;
}

Outcome<UnitInformation> decode_unit_information(std::string_view body, const std::string& where) {
  pugi::xml_document document;
  auto answer = answer_in(document, body, "GetDeviceInformationResponse", largest_soap, where);
  if (!answer) return answer.error();
  UnitInformation out;
  out.manufacturer = text_of(*answer, "Manufacturer");
  out.model = text_of(*answer, "Model");
  out.firmware = text_of(*answer, "FirmwareVersion");
  out.serial = text_of(*answer, "SerialNumber");
  return out;
}

Outcome<UnitServices> decode_services(std::string_view body, const std::string& where) {
  pugi::xml_document document;
  auto answer = answer_in(document, body, "GetServicesResponse", largest_soap, where);
  if (!answer) return answer.error();
  UnitServices out;
  for (const auto& service : answer->children()) {
    const auto name = text_of(service, "Namespace");
    if (name == media1_service) out.media1_url = text_of(service, "XAddr");
    if (name == media2_service) out.media2_url = text_of(service, "XAddr");
  }
  return out;
}

Outcome<UnitServices> decode_capabilities(std::string_view body, const std::string& where) {
  pugi::xml_document document;
  auto answer = answer_in(document, body, "GetCapabilitiesResponse", largest_soap, where);
  if (!answer) return answer.error();
  UnitServices out;
  out.media1_url = text_of(child_of(child_of(*answer, "Capabilities"), "Media"), "XAddr");
  return out;
}

bool asks_for_login(std::string_view body) {
  if (body.find("Fault") == std::string_view::npos) return false;
  pugi::xml_document document;
  const auto answer = answer_in(document, body, "Fault", largest_soap, "");
  return !answer && answer.error().kind == FaultKind::refused;
}

}  // namespace tallywire::wire
