#include "probes/camera/media.hpp"

#include "probes/wire/url.hpp"

#include <boost/asio/ip/address.hpp>

#include <algorithm>

namespace tallywire::camera {

namespace asio = boost::asio;

namespace {

bool same_host(const std::string& a, const std::string& b) {
  boost::system::error_code no_a, no_b;
  const auto one = asio::ip::make_address(a, no_a), other = asio::ip::make_address(b, no_b);
  return !no_a && !no_b && one == other;
}

// These end the asking: the next question would only wait as long again.
bool is_final(const Fault& fault) {
  return fault.kind == FaultKind::timed_out || fault.kind == FaultKind::unreachable ||
         fault.kind == FaultKind::cancelled;
}

void note_once(MediaReport& report, const std::string& note) {
  if (std::find(report.notes.begin(), report.notes.end(), note) == report.notes.end()) report.notes.push_back(note);
}

const char* const other_host = "the unit names itself by another address; its own was taken";

// Where a service is asked: the unit's path for it. Its port only where scheme and host are ours, for a unit that names
// another host names the port that host has.
ServicePlace place_of_service(const UnitSession& session, const std::string& xaddr, MediaReport& report) {
  auto out = session.device();
  const auto url = wire::decode_url(xaddr);
  if (!url) return out;
  out.path = url->path;
  const bool own = same_host(url->host, session.request().address);
  if (own && url->scheme == (session.request().https ? "https" : "http")) out.tcp_port = url->port;
  if (!own) note_once(report, other_host);
  return out;
}

asio::awaitable<Outcome<wire::UnitServices>> ask_for_services(UnitSession& session) {
  const auto place = session.device();
  auto question = wire::ask_services();
  auto services = co_await session.ask(std::move(question), place);
  if (services) {
    auto decoded = wire::decode_services(*services, session.where());
    if (decoded) co_return decoded;
  } else if (is_final(services.error())) {
    co_return services.error();
  }
  auto older = wire::ask_capabilities();
  auto capabilities = co_await session.ask(std::move(older), place);
  if (!capabilities) co_return capabilities.error();
  co_return wire::decode_capabilities(*capabilities, session.where());
}

struct Media {
  UnitSession& session;
  MediaReport report;
  ServicePlace place;
};

asio::awaitable<Outcome<wire::MediaProfiles>> ask_profiles(UnitSession& session, wire::MediaVersion version,
                                                           ServicePlace place) {
  auto question = wire::ask_profiles(version);
  auto body = co_await session.ask(std::move(question), std::move(place));
  if (!body) co_return body.error();
  co_return wire::decode_profiles(version, *body, session.where());
}

// Heads in the order of GetVideoSources, which only version 1 has; then those that only profiles name.
asio::awaitable<void> ask_video_sources(Media& media, const std::string& media1_url) {
  auto& report = media.report;
  if (!media1_url.empty()) {
    auto place = place_of_service(media.session, media1_url, report);
    auto question = wire::ask_video_sources();
    auto body = co_await media.session.ask(std::move(question), std::move(place));
    if (body) {
      auto sources = wire::decode_video_sources(*body, media.session.where());
      if (sources) report.video_sources = std::move(*sources);
    }
  }
  if (report.video_sources.empty()) report.notes.push_back("heads are taken in the order of the unit's profiles");
  for (const auto& stream : report.streams) {
    const auto& token = stream.profile.video_source;
    auto& sources = report.video_sources;
    if (std::find(sources.begin(), sources.end(), token) == sources.end()) sources.push_back(token);
  }
}

asio::awaitable<Outcome<std::string>> ask_stream_url(UnitSession& session, wire::MediaVersion version,
                                                     ServicePlace place, std::string token) {
  Outcome<std::string> out = Fault{};
  for (const char* protocol : {"RtspUnicast", "RTSP"}) {
    auto question = wire::ask_stream_uri(version, token, protocol);
    auto body = co_await session.ask(std::move(question), place);
    if (!body)
      out = body.error();
    else
      out = wire::decode_stream_uri(*body, session.where());
    if (out || version == wire::MediaVersion::media1 || is_final(out.error())) break;
  }
  co_return out;
}

asio::awaitable<void> ask_stream_urls(Media& media) {
  std::string over;
  for (auto& stream : media.report.streams) {
    stream.url_unread = over;
    if (!over.empty()) continue;
    auto told = co_await ask_stream_url(media.session, media.report.version, media.place, stream.profile.token);
    if (!told) {
      stream.url_unread = told.error().what;
      if (is_final(told.error())) over = told.error().what;
      continue;
    }
    bool replaced = false;
    const auto url = on_own_host(*told, media.session.request().address, {"rtsp", "rtsps"}, replaced);
    if (url)
      stream.url = *url;
    else
      stream.url_unread = "the unit tells no RTSP address for it";
    if (replaced) note_once(media.report, other_host);
  }
}

// One for each head, of the first profile that has its picture.
asio::awaitable<void> ask_snapshots(Media& media) {
  auto& report = media.report;
  std::string over;
  for (const auto& stream : report.streams) {
    const auto& source = stream.profile.video_source;
    if (report.snapshot_urls.contains(source) || report.snapshot_unread.contains(source)) continue;
    if (!over.empty()) {
      report.snapshot_unread[source] = over;
      continue;
    }
    auto question = wire::ask_snapshot_uri(report.version, stream.profile.token);
    auto body = co_await media.session.ask(std::move(question), media.place);
    Outcome<std::string> told = Fault{};
    if (body)
      told = wire::decode_snapshot_uri(*body, media.session.where());
    else
      told = body.error();
    bool replaced = false;
    const auto url = told ? on_own_host(*told, media.session.request().address, {"http", "https"}, replaced) : std::nullopt;
    if (url)
      report.snapshot_urls[source] = *url;
    else
      report.snapshot_unread[source] = told ? "the unit tells no HTTP address for it" : told.error().what;
    if (!told && is_final(told.error())) over = told.error().what;
    if (replaced) note_once(report, other_host);
  }
}

// Values after these names are secrets wherever units put them into addresses (common practice).
bool names_a_secret(std::string_view name) {
  std::string lower;
  for (const char c : name) lower += static_cast<char>(c >= 'A' && c <= 'Z' ? c + 32 : c);
  for (const char* word : {"pass", "pwd", "pw", "secret", "token", "auth", "key", "session", "sid"})
    if (lower.find(word) != std::string::npos) return true;
  return false;
}

}  // namespace

std::optional<std::string> on_own_host(const std::string& url, const std::string& own_host,
                                       std::initializer_list<const char*> schemes, bool& replaced) {
  auto decoded = wire::decode_url(url);
  if (!decoded) return std::nullopt;
  const bool known = std::any_of(schemes.begin(), schemes.end(), [&](const char* s) { return decoded->scheme == s; });
  if (!known) return std::nullopt;
  replaced = !same_host(decoded->host, own_host);
  if (replaced) decoded->host = own_host;
  return decoded->text();
}

std::string without_secrets(const std::string& url, const std::string& password) {
  std::string out;
  std::size_t begin = 0;
  while (begin < url.size()) {
    auto end = url.find_first_of("?&/;", begin);
    if (end == std::string::npos) end = url.size();
    auto part = url.substr(begin, end - begin);
    if (const auto equals = part.find('='); equals != std::string::npos && names_a_secret(part.substr(0, equals)))
      part = part.substr(0, equals + 1) + "…";
    if (!password.empty())
      for (auto at = part.find(password); at != std::string::npos; at = part.find(password))
        part.replace(at, password.size(), "…");
    out += part;
    if (end < url.size()) out += url[end];
    begin = end + 1;
  }
  return out;
}

asio::awaitable<Outcome<MediaReport>> ask_media(UnitSession& session) {
  auto services = co_await ask_for_services(session);
  if (!services) co_return services.error();
  Media media{session, {}, {}};
  Outcome<wire::MediaProfiles> profiles =
      Fault{FaultKind::unsupported, "the unit offers no media service", session.where(),
            "switch ONVIF's media service on in the unit, or give the streams a path in the design"};
  for (const auto version : {wire::MediaVersion::media2, wire::MediaVersion::media1}) {
    const auto& url = version == wire::MediaVersion::media2 ? services->media2_url : services->media1_url;
    if (url.empty()) continue;
    media.report.version = version;
    media.place = place_of_service(session, url, media.report);
    profiles = co_await ask_profiles(session, version, media.place);
    if (profiles && !profiles->profiles.empty()) break;
    if (!profiles && is_final(profiles.error())) break;
  }
  if (!profiles) co_return profiles.error();
  for (auto& profile : profiles->profiles) media.report.streams.push_back({std::move(profile), "", ""});
  if (profiles->left_off > 0)
    media.report.notes.push_back(std::to_string(profiles->left_off) + " profiles beyond the first " +
                                 std::to_string(wire::most_profiles) + " were left off");
  co_await ask_video_sources(media, services->media1_url);
  co_await ask_stream_urls(media);
  co_await ask_snapshots(media);
  co_return std::move(media.report);
}

}  // namespace tallywire::camera
