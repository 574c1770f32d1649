#include "probes/tap/rtsp_watch.hpp"

#include "probes/wire/rtsp_tracks.hpp"
#include "probes/wire/url.hpp"

#include <algorithm>

namespace tallywire::tap {
namespace {

// Units take a password in the path or the query as well ("/user=u&password=p", "?pwd=p"; common practice).
std::string without_values_of_passwords(std::string url) {
  std::string lower = url;
  for (char& c : lower)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c + 32);
  for (const std::string_view name : {"password=", "passwd=", "passcode=", "pass=", "pwd=", "psw=", "pw=", "secret=", "token=", "auth="})
    for (auto at = lower.find(name); at != std::string::npos; at = lower.find(name, at + 1)) {
      const auto begin = at + name.size(), end = std::min(lower.find_first_of("&;/?#_ ", begin), lower.size());
      url.replace(begin, end - begin, end > begin ? "-" : "");
      lower.replace(begin, end - begin, end > begin ? "-" : "");
    }
  return url;
}

// As the client wrote it, but for user and password; empty when it is no URL ("*"). A password may hold a slash.
std::string clean_url(const std::string& target) {
  if (!wire::decode_url(target)) return "";
  const auto begin = target.find("://") + 3;
  const auto end = std::min(target.find('?', begin), target.size());
  const auto at = target.rfind('@', end);
  return without_values_of_passwords(at == std::string::npos || at < begin ? target : target.substr(0, begin) + target.substr(at + 1));
}

std::string without_slash(std::string text) {
  while (!text.empty() && text.back() == '/') text.pop_back();
  return text;
}

std::uint16_t port(int number) { return number > 0 && number <= 65535 ? static_cast<std::uint16_t>(number) : 0; }

wire::IpAddress address_or(const std::string& told, const wire::IpAddress& otherwise) {
  if (told.empty()) return otherwise;
  const auto address = wire::decode_ip_address(told);
  return address ? *address : otherwise;
}

}  // namespace

void RtspWatch::request(const wire::RtspMessage& message) {
  if (asked_.size() == most_asked) asked_.erase(asked_.begin());
  asked_.push_back({message.header("cseq"), message.method, clean_url(message.target), message.list("transport")});
  // SETUP names a medium; any other method the session.
  if (message.method != "SETUP" && url_.empty()) url_ = asked_.back().target;
}

void RtspWatch::answer(const wire::RtspMessage& message, const wire::IpAddress& client, const wire::IpAddress& server) {
  if (const auto name = message.header("server"); !name.empty()) unit_ = name;
  const auto sequence = message.header("cseq");
  const auto at = std::find_if(asked_.begin(), asked_.end(), [&](const Asked& a) { return a.sequence == sequence; });
  if (at == asked_.end()) return;
  const Asked asked = std::move(*at);
  asked_.erase(at);
  if (message.status < 200 || message.status >= 300) return;
  if (asked.method == "DESCRIBE") take_description(message, asked.target);
  if (asked.method == "SETUP") take_setup(message, asked, client, server);
}

void RtspWatch::take_description(const wire::RtspMessage& message, const std::string& target) {
  const auto session = wire::decode_sdp(message.body);
  if (!session) return;
  url_ = target;
  media_.clear();
  set_up_ = 0;
  const auto base = wire::base_of(message, target);
  for (const auto& medium : session->media) {
    if (media_.size() == most_media) break;
    media_.push_back({without_slash(clean_url(wire::join_control(base, medium.control))), medium});
    if (media_.back().description.connection.empty()) media_.back().description.connection = session->connection;
  }
}

// By its control URL; a client that builds URLs in its own way sets media up in the order of the description.
const RtspWatch::Medium* RtspWatch::medium_at(const std::string& url) const {
  for (const auto& medium : media_)
    if (!medium.control.empty() && medium.control == without_slash(url)) return &medium;
  return set_up_ < media_.size() ? &media_[set_up_] : nullptr;
}

std::shared_ptr<AnnouncedMedium> RtspWatch::announced(const Medium* medium, const std::string& target) const {
  auto out = std::make_shared<AnnouncedMedium>();
  out->url = url_.empty() ? target : url_;
  out->unit = unit_;
  if (!medium) return out;
  out->encrypted = medium->description.protocol.find("SAVP") != std::string::npos;  // RFC 3711 §12, RFC 5124
  for (const auto& format : medium->description.formats)
    if (!format.encoding.empty()) out->formats.emplace_back(format.payload_type, stream::settings_of(medium->description, format));
  return out;
}

void RtspWatch::take_setup(const wire::RtspMessage& message, const Asked& asked, const wire::IpAddress& client, const wire::IpAddress& server) {
  auto grants = wire::decode_transport(message.list("transport"));
  if (!grants || grants->empty()) grants = wire::decode_transport(asked.transport);
  if (!grants || grants->empty()) return;
  const auto& grant = grants->front();
  const auto* medium = medium_at(asked.target);
  const auto told = announced(medium, asked.target);
  ++set_up_;
  if (grant.tcp || grant.rtp_channel >= 0) {
    for (const int channel : {grant.rtp_channel, grant.rtcp_channel})
      if (channel >= 0 && channel <= 255) {
        channels_[static_cast<std::size_t>(channel)] = told;
        has_channels_ = true;
      }
    return;
  }
  Announcement out;
  out.medium = told;
  const bool group = grant.multicast || (!grant.unicast && grant.port_rtp > 0);
  if (group) {
    out.port_rtp = port(grant.port_rtp);
    out.destination = address_or(grant.destination.empty() && medium ? medium->description.connection : grant.destination, client);
    if (!grant.source.empty()) out.source = wire::decode_ip_address(grant.source);
  } else {
    out.port_rtp = port(grant.client_rtp);
    if (out.port_rtp == 0) {  // an answer may leave out what the request said
      const auto offers = wire::decode_transport(asked.transport);
      if (offers)
        for (const auto& offer : *offers)
          if (out.port_rtp == 0) out.port_rtp = port(offer.client_rtp);
    }
    out.destination = address_or(grant.destination, client);
    out.source = address_or(grant.source, server);
  }
  if (out.port_rtp != 0) fresh_.push_back(std::move(out));
}

std::vector<Announcement> RtspWatch::take_announcements() { return std::exchange(fresh_, {}); }

std::shared_ptr<const AnnouncedMedium> RtspWatch::any_session() const {
  if (url_.empty() && unit_.empty()) return nullptr;
  return announced(nullptr, "");
}

}  // namespace tallywire::tap
