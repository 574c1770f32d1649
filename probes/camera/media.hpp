// The heads and streams that a unit offers by ONVIF's media services, with the address of each.
#pragma once

#include "probes/camera/unit_session.hpp"
#include "probes/wire/onvif_media.hpp"

#include <boost/asio/awaitable.hpp>

#include <map>
#include <string>
#include <vector>

namespace tallywire::camera {

struct OfferedStream {
  wire::MediaProfile profile;
  std::string url;         // without user and password in front of the host; empty when it is unread
  std::string url_unread;  // why
};

struct MediaReport {
  wire::MediaVersion version = wire::MediaVersion::media2;
  std::vector<std::string> video_sources;            // tokens; the order of the unit's heads
  std::vector<OfferedStream> streams;                // in the unit's order
  std::map<std::string, std::string> snapshot_urls;  // by video source
  std::map<std::string, std::string> snapshot_unread;
  std::vector<std::string> notes;                    // what a person should know of how it was read
};

// Asks services, profiles, video sources and addresses, one after another. A unit behind an address translator names
// itself by an address that nobody can reach: every host that is not the unit's own is replaced by it, with a note.
boost::asio::awaitable<Outcome<MediaReport>> ask_media(UnitSession& session);

// `url` on the host `own_host`; nothing when it is no URL of these schemes. `replaced` says whether the host was another.
std::optional<std::string> on_own_host(const std::string& url, const std::string& own_host,
                                       std::initializer_list<const char*> schemes, bool& replaced);

// The path (with its query) of a URL as it may be kept: values that look like a password or are `password` become "…".
std::string without_secrets(const std::string& url, const std::string& password);

}  // namespace tallywire::camera
