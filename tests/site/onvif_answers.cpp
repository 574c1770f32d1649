#include "tests/site/onvif_answers.hpp"

#include "probes/reading.hpp"
#include "probes/wire/base64.hpp"
#include "probes/wire/onvif.hpp"
#include "probes/wire/onvif_media.hpp"

#include <cstring>
#include <ctime>
#include <pugixml.hpp>
#include <set>

namespace tallywire::site {
namespace {

std::string between(const std::string& text, const std::string& tag) {
  auto begin = std::min(text.find("<" + tag + ">"), text.find("<" + tag + " "));
  if (begin == std::string::npos) return {};
  begin = text.find('>', begin);
  const auto end = text.find("</" + tag, begin);
  return begin == std::string::npos || end == std::string::npos ? std::string() : text.substr(begin + 1, end - begin - 1);
}

std::string envelope(const std::string& body) {
  return "<?xml version=\"1.0\" encoding=\"UTF-8\"?><SOAP-ENV:Envelope "
         "xmlns:SOAP-ENV=\"http://www.w3.org/2003/05/soap-envelope\" "
         "xmlns:tds=\"http://www.onvif.org/ver10/device/wsdl\" xmlns:trt=\"http://www.onvif.org/ver10/media/wsdl\" "
         "xmlns:tr2=\"http://www.onvif.org/ver20/media/wsdl\" xmlns:tt=\"http://www.onvif.org/ver10/schema\" "
         "xmlns:ter=\"http://www.onvif.org/ver10/error\"><SOAP-ENV:Body>" +
         body + "</SOAP-ENV:Body></SOAP-ENV:Envelope>";
}

std::string fault(const std::string& subcode, const std::string& text) {
  return envelope("<SOAP-ENV:Fault><SOAP-ENV:Code><SOAP-ENV:Value>SOAP-ENV:Sender</SOAP-ENV:Value><SOAP-ENV:Subcode>"
                  "<SOAP-ENV:Value>ter:" + subcode + "</SOAP-ENV:Value></SOAP-ENV:Subcode></SOAP-ENV:Code>"
                  "<SOAP-ENV:Reason><SOAP-ENV:Text xml:lang=\"en\">" + text +
                  "</SOAP-ENV:Text></SOAP-ENV:Reason></SOAP-ENV:Fault>");
}

bool let_in(const Camera& camera, const std::string& request) {
  if (camera.user.empty()) return true;
  const auto nonce = wire::decode_base64(between(request, "Nonce"));
  return nonce && between(request, "Username") == camera.user &&
         between(request, "Password") ==
             wire::username_token_digest(wire::Octets(*nonce), between(request, "Created"), camera.password);
}

std::string element(const std::string& name, const std::string& text) {
  return "<" + name + ">" + text + "</" + name + ">";
}

std::string element(const std::string& name, double number) {
  char text[40];
  std::snprintf(text, sizeof text, "%.6g", number);
  return element(name, std::string(text));
}

std::string time_answer(const Camera& camera) {
  const auto now = std::time(nullptr) + static_cast<std::time_t>(camera.clock_offset_s);
  std::tm t{};
  gmtime_r(&now, &t);
  const auto time = element("tt:Hour", t.tm_hour) + element("tt:Minute", t.tm_min) + element("tt:Second", t.tm_sec);
  const auto date = element("tt:Year", t.tm_year + 1900) + element("tt:Month", t.tm_mon + 1) + element("tt:Day", t.tm_mday);
  return envelope("<tds:GetSystemDateAndTimeResponse><tds:SystemDateAndTime>" + element("tt:DateTimeType", "NTP") +
                  element("tt:UTCDateTime", element("tt:Time", time) + element("tt:Date", date)) +
                  "</tds:SystemDateAndTime></tds:GetSystemDateAndTimeResponse>");
}

std::string own_place(const Camera& camera) { return "http://" + camera.address + ":" + std::to_string(camera.onvif_port); }

std::string services_answer(const Camera& camera) {
  const auto service = [&](const char* name, const char* path) {
    return element("tds:Service", element("tds:Namespace", name) + element("tds:XAddr", own_place(camera) + path) +
                                      "<tds:Version><tt:Major>2</tt:Major><tt:Minor>60</tt:Minor></tds:Version>");
  };
  auto all = service(wire::device_service, wire::device_path) + service(wire::media1_service, "/onvif/media");
  if (camera.media_version == 2) all += service(wire::media2_service, "/onvif/media2");
  return envelope(element("tds:GetServicesResponse", all));
}

std::string head_token(const std::string& head) { return "source_" + head; }

std::string size_of(const StreamOffer& offer) {
  return element("tt:Resolution", element("tt:Width", offer.width_px) + element("tt:Height", offer.height_px));
}

std::string rate_of(const StreamPlan& plan, const StreamOffer& offer, const std::string& interval) {
  return element("tt:RateControl", element("tt:FrameRateLimit", offer.frame_rate_hz) + interval +
                                       element("tt:BitrateLimit", plan.bit_rate_bps / 1000));
}

std::string profile1(std::size_t i, const StreamPlan& plan, const StreamOffer& offer) {
  const auto n = std::to_string(i);
  return "<trt:Profiles token=\"profile_" + n + "\" fixed=\"true\">" + element("tt:Name", plan.path) +
         "<tt:VideoSourceConfiguration token=\"vsc_" + offer.head + "\">" + element("tt:Name", "vsc") +
         element("tt:UseCount", 1) + element("tt:SourceToken", head_token(offer.head)) +
         "</tt:VideoSourceConfiguration><tt:VideoEncoderConfiguration token=\"enc_" + n + "\">" +
         element("tt:Name", "enc") + element("tt:UseCount", 1) + element("tt:Encoding", "H264") + size_of(offer) +
         element("tt:Quality", 5) + rate_of(plan, offer, element("tt:EncodingInterval", 1)) +
         element("tt:H264", element("tt:GovLength", offer.gop_frames) + element("tt:H264Profile", "High")) +
         "</tt:VideoEncoderConfiguration></trt:Profiles>";
}

std::string profile2(std::size_t i, const StreamPlan& plan, const StreamOffer& offer) {
  const auto n = std::to_string(i);
  return "<tr2:Profiles token=\"profile_" + n + "\" fixed=\"true\">" + element("tr2:Name", plan.path) +
         "<tr2:Configurations><tr2:VideoSource token=\"vsc_" + offer.head + "\">" + element("tt:Name", "vsc") +
         element("tt:UseCount", 1) + element("tt:SourceToken", head_token(offer.head)) +
         "</tr2:VideoSource><tr2:VideoEncoder token=\"enc_" + n + "\" GovLength=\"" + std::to_string(offer.gop_frames) +
         "\" Profile=\"" + (plan.h265 ? "Main" : "High") + "\">" + element("tt:Name", "enc") +
         element("tt:UseCount", 1) + element("tt:Encoding", plan.h265 ? "H265" : "H264") + size_of(offer) +
         rate_of(plan, offer, "") + element("tt:Quality", 5) + "</tr2:VideoEncoder></tr2:Configurations></tr2:Profiles>";
}

// Version 1 knows no H.265: such a stream is not in its list.
std::string profiles_answer(const Camera& camera, bool two) {
  std::string all;
  for (std::size_t i = 0; i < camera.streams.size(); ++i) {
    if (two)
      all += profile2(i, camera.streams[i], camera.offers[i]);
    else if (!camera.streams[i].h265)
      all += profile1(i, camera.streams[i], camera.offers[i]);
  }
  return envelope(element(two ? "tr2:GetProfilesResponse" : "trt:GetProfilesResponse", all));
}

std::string sources_answer(const Camera& camera) {
  std::string all;
  std::set<std::string> once;
  for (const auto& offer : camera.offers)
    if (once.insert(offer.head).second)
      all += "<trt:VideoSources token=\"" + head_token(offer.head) + "\">" + element("tt:Framerate", 30) +
             size_of(offer) + "</trt:VideoSources>";
  return envelope(element("trt:GetVideoSourcesResponse", all));
}

std::string uri_answer(const Camera& camera, const std::string& request, bool two, bool snapshot) {
  for (std::size_t i = 0; i < camera.streams.size(); ++i) {
    if (between(request, "ProfileToken") != "profile_" + std::to_string(i)) continue;
    const auto url = snapshot ? own_place(camera) + "/snapshot/" + std::to_string(i)
                              : "rtsp://" + camera.address + ":" + std::to_string(camera.rtsp_port) + camera.streams[i].path;
    const std::string name = snapshot ? "GetSnapshotUriResponse" : "GetStreamUriResponse";
    if (two) return envelope(element("tr2:" + name, element("tr2:Uri", url)));
    return envelope(element("trt:" + name, element("trt:MediaUri", element("tt:Uri", url) +
                    "<tt:InvalidAfterConnect>false</tt:InvalidAfterConnect><tt:InvalidAfterReboot>false"
                    "</tt:InvalidAfterReboot><tt:Timeout>PT0S</tt:Timeout>")));
  }
  return fault("NoProfile", "no such profile");
}

struct Asked {
  std::string operation, service;
};

Asked asked_in(const std::string& request) {
  pugi::xml_document document;
  if (!document.load_string(request.c_str())) return {};
  for (const auto& part : document.first_child().children()) {
    const char* colon = std::strchr(part.name(), ':');
    if (std::strcmp(colon ? colon + 1 : part.name(), "Body") != 0) continue;
    const auto question = part.first_child();
    return {question.name(), question.attribute("xmlns").value()};
  }
  return {};
}

}  // namespace

std::string answer_onvif(const Camera& camera, const std::string& request) {
  const auto asked = asked_in(request);
  const auto& name = asked.operation;
  if (asked.service == wire::device_service) {
    if (name == "GetSystemDateAndTime") return time_answer(camera);
    if (name == "GetServices") return services_answer(camera);
  }
  if (!let_in(camera, request)) return fault("NotAuthorized", "not authorized");
  if (asked.service == wire::device_service && name == "GetDeviceInformation")
    return envelope("<tds:GetDeviceInformationResponse><tds:Manufacturer>simulated</tds:Manufacturer>"
                    "<tds:Model>demo unit</tds:Model><tds:FirmwareVersion>" + camera.firmware + "</tds:FirmwareVersion><tds:SerialNumber>" +
                    camera.serial + "</tds:SerialNumber><tds:HardwareId>1</tds:HardwareId>"
                    "</tds:GetDeviceInformationResponse>");
  const bool two = asked.service == wire::media2_service && camera.media_version == 2;
  if (two || asked.service == wire::media1_service) {
    if (name == "GetProfiles") return profiles_answer(camera, two);
    if (name == "GetVideoSources" && !two) return sources_answer(camera);
    if (name == "GetStreamUri") return uri_answer(camera, request, two, false);
    if (name == "GetSnapshotUri") return uri_answer(camera, request, two, true);
  }
  return fault("ActionNotSupported", "not here");
}

}  // namespace tallywire::site
