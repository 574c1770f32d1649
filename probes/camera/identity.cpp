#include "probes/camera/identity.hpp"

namespace tallywire::camera {

namespace asio = boost::asio;
using Clock = std::chrono::steady_clock;

namespace {

const char* const identity_fields[] = {"manufacturer", "model", "firmware", "serial"};

void unread_identity(CameraReport& out, const std::string& reason) {
  for (const char* field : identity_fields) out.unread[field] = reason;
}

// The clock, and whether ONVIF answers at all; a Fault when nobody does.
asio::awaitable<Outcome<CameraReport>> ask_clock(UnitSession& session, std::optional<std::string>& no_onvif) {
  auto question = wire::ask_unit_time();
  auto place = session.device();
  const auto asked = Clock::now();
  const auto asked_utc = now_utc();
  auto answer = co_await session.ask_open(std::move(question), std::move(place));
  if (!answer) co_return answer.error();
  const auto took = std::chrono::duration<double>(Clock::now() - asked).count();
  CameraReport out;
  out.when = now_utc();
  out.certificate = std::move(answer->certificate);
  const auto said = said_by_status(answer->status);
  if (said && answer->status != 401 && answer->status != 403) no_onvif = said;
  const auto time = wire::decode_unit_time(answer->body, session.where());
  if (said || !time) {
    out.unread["clock_offset_s"] = out.unread["clock_source"] = said ? *said : time.error().what;
    co_return out;
  }
  session.set_unit_time(time->utc);
  // The unit read its clock between question and answer, and told whole seconds of it, cut off.
  const double middle = std::chrono::duration<double>(time->utc - asked_utc).count() - took / 2;
  out.clock_offset_s = middle + 0.5;
  out.clock_uncertainty_s = 0.5 + took / 2;
  out.clock_source = time->by_ntp ? "NTP" : "manual";
  co_return out;
}

// Empty when the rest may be asked; else why it may not.
asio::awaitable<std::string> ask_information(UnitSession& session, CameraReport& out) {
  auto question = wire::ask_unit_information();
  auto place = session.device();
  auto body = co_await session.ask(std::move(question), std::move(place));
  Outcome<wire::UnitInformation> information = Fault{};
  if (body)
    information = wire::decode_unit_information(*body, session.where());
  else
    information = body.error();
  if (!information) {
    const auto& fault = information.error();
    unread_identity(out, fault.what);
    const bool rest_is_worth_asking = fault.kind == FaultKind::unsupported || (body && fault.kind == FaultKind::malformed);
    co_return rest_is_worth_asking ? std::string() : fault.what;
  }
  out.manufacturer = information->manufacturer;
  out.model = information->model;
  out.firmware = information->firmware;
  out.serial = information->serial;
  out.login_asked = session.asks_for_login();
  co_return std::string();
}

}  // namespace

asio::awaitable<Outcome<CameraReport>> ask_camera(CameraRequest request, const Stop& stop) {
  UnitSession session(std::move(request), stop);
  std::optional<std::string> no_onvif;
  auto out = co_await ask_clock(session, no_onvif);
  if (!out) co_return out;
  if (no_onvif) {
    unread_identity(*out, *no_onvif);  // no ONVIF here: whoever it is gets no login
    out->unread["media"] = *no_onvif;
    co_return out;
  }
  const auto why_not = co_await ask_information(session, *out);
  if (!why_not.empty()) {
    out->unread["media"] = why_not;
    co_return out;
  }
  auto media = co_await ask_media(session);
  if (media)
    out->media = std::move(*media);
  else
    out->unread["media"] = media.error().what;
  co_return out;
}

std::vector<Reading> to_readings(const CameraReport& r, const std::string& subject) {
  std::vector<Reading> out;
  const auto reason = [&](const char* field) {
    const auto at = r.unread.find(field);
    return at == r.unread.end() ? std::string("the unit does not tell") : at->second;
  };
  out.push_back(r.clock_offset_s ? read_number(subject, "clock_offset_s", *r.clock_offset_s, "ONVIF date and time",
                                               r.when, {}, r.clock_uncertainty_s)
                                 : unread(subject, "clock_offset_s", reason("clock_offset_s"), r.when));
  for (const auto& [quantity, value] :
       {std::pair{"serial", &r.serial}, std::pair{"firmware", &r.firmware}, std::pair{"model", &r.model}})
    out.push_back(*value && !(*value)->empty()
                      ? read_word(subject, quantity, **value, "ONVIF device information", r.when)
                      : unread(subject, quantity, reason(quantity), r.when));
  out.push_back(r.media ? read_number(subject, "heads", static_cast<double>(r.media->video_sources.size()), "ONVIF media, video sources", r.when)
                        : unread(subject, "heads", reason("media"), r.when));
  if (r.login_asked) out.push_back(read_word(subject, "login", *r.login_asked ? "asked" : "not asked", "ONVIF device information", r.when));
  if (!r.certificate) return out;
  const char* const how = "TLS handshake";
  out.push_back(read_word(subject, "certificate_sha256", r.certificate->sha256, how, r.when));
  out.push_back(read_word(subject, "certificate_not_after", to_rfc3339(r.certificate->not_after), how, r.when));
  out.push_back(
      read_word(subject, "certificate_self_signed", r.certificate->self_signed ? "yes" : "no", how, r.when));
  return out;
}

}  // namespace tallywire::camera
