// The answer of `path`.
#include "daemon/round/ask_parts.hpp"
#include "daemon/round/asks_delay.hpp"
#include "probes/path/far_end_asker.hpp"
#include "probes/path/udp_asker.hpp"

#include <algorithm>
#include <cmath>
#include <set>
#include <sstream>

namespace tallywire::round {

namespace asio = boost::asio;
using nlohmann::json;

namespace {

constexpr double default_ceiling_bps = 100e9;  // more than any link of a site: as good as none
constexpr double search_share = 1.6;           // of the seconds for TCP, for the search by UDP
constexpr double least_packet_bytes = 128;
constexpr std::chrono::milliseconds usual_patience{6000}, patience_in_a_black_hole{2000};

struct PathRequest {
  path::FarEndAddress far_end;
  double seconds = 5, ceiling_bps = 0, packet_bytes = 0;  // packet_bytes 0: the path's MTU
  std::set<std::string> only;
  bool tcp() const { return only.contains("tcp"); }
  bool udp() const { return only.contains("udp"); }
  double search_s() const { return std::clamp(seconds * search_share, 2.0, 120.0); }
  // Of one way, for the progress.
  double total_s() const { return (tcp() ? seconds : 0) + (udp() ? search_s() : 0); }
};

// "tcp,udp"; all three without it.
Outcome<std::set<std::string>> parts_of(const std::string& text) {
  static const std::set<std::string> known = {"delay", "tcp", "udp"};
  if (text.empty()) return known;
  std::set<std::string> out;
  std::istringstream in(text);
  for (std::string part; std::getline(in, part, ',');) {
    if (!known.contains(part))
      return Fault{FaultKind::bad_request, "there is no part “" + part + "” of a path", "--only", "delay, tcp, udp, or some of them with commas"};
    out.insert(part);
  }
  if (out.empty() || text.back() == ',') return Fault{FaultKind::bad_request, "a part of a path has no name", "--only", "delay, tcp, udp, or some of them with commas"};
  return out;
}

Outcome<PathRequest> read_request(const json& arguments, const config::Secrets& secrets) {
  PathRequest out;
  const auto secret = word(arguments, "key");
  const auto key = secrets.key(secret);
  if (!key) return no_secret(secret);
  const double port = number(arguments, "tcp_port", 7861);
  if (port_is_wrong(port)) return Fault{FaultKind::bad_request, "there is no such TCP port", "", "1 to 65535"};
  out.far_end = {word(arguments, "host"), static_cast<std::uint16_t>(port), *key};
  out.seconds = number(arguments, "seconds", 5);
  if (const auto wrong = check_seconds(out.seconds)) return *wrong;
  out.ceiling_bps = number(arguments, "ceiling_mbps", default_ceiling_bps / 1e6) * 1e6;
  if (!(out.ceiling_bps > 0)) return Fault{FaultKind::bad_request, "the ceiling must be more than 0", "", ""};
  out.packet_bytes = number(arguments, "packet_bytes", 0);
  const bool sized = arguments.contains("packet_bytes");
  if (sized && (out.packet_bytes < least_packet_bytes || out.packet_bytes > 65535 || out.packet_bytes != std::floor(out.packet_bytes)))
    return Fault{FaultKind::bad_request, "a packet has a whole number of octets, from 128 to 65535", "--packet-bytes", "leave it out for the path's MTU"};
  auto only = parts_of(word(arguments, "only"));
  if (!only) return only.error();
  out.only = std::move(*only);
  return out;
}

// The path's MTU and, where it was asked for, what UDP found; the rate on the wire where the path is what limits.
std::optional<double> put_udp(json& answer, const path::UdpReport& udp, bool asked) {
  if (!udp.blocked.empty()) {
    answer["unread"]["path_mtu_bytes"] = udp.blocked;
    if (asked) answer["unread"]["udp"] = udp.blocked;
    answer["udp"] = json();
    return std::nullopt;
  }
  answer["path_mtu_bytes"] = udp.mtu.bytes > 0 ? json(udp.mtu.bytes) : json();
  if (udp.mtu.bytes == 0) answer["unread"]["path_mtu_bytes"] = "no packet of even the least size came through";
  answer["path_mtu_black_hole"] = udp.mtu.black_hole();
  if (!udp.capacity) return std::nullopt;
  answer["udp"] = *udp.capacity;
  return udp.capacity->at_least ? std::nullopt : udp.capacity->capacity_bps;
}

// TCP that was told of no smaller packet sends what never arrives: that is what was found, and no fault of the measurement.
json stalled(json found, path::Direction direction, const path::UdpReport& udp) {
  path::ThroughputReport none;
  none.direction = direction;
  none.when = now_utc();
  json answer = none;
  answer.update(found);
  answer["path_mtu_by"] = "probes";
  answer["limited_by"] = "path";
  answer["limited_by_reason"] = "TCP came to a stop: packets of more than " + std::to_string(udp.mtu.bytes) +
                                " octets are lost on the way and no router says so";
  answer["try_next"] = "let ICMP “destination unreachable” through on the way, or set the interfaces at both ends to that MTU";
  for (auto& [key, value] : answer.items())
    if (value.is_null() && !answer["unread"].contains(key)) answer["unread"][key] = "TCP came to a stop";
  return answer;
}

bool was_read(const json& way, const PathRequest& request) {
  const bool tcp = !request.tcp() || !way.value("goodput_bps", json()).is_null();
  const bool udp = !request.udp() || (way.contains("udp") && way.at("udp").is_object() && !way.at("udp").at("capacity_bps").is_null());
  return tcp && udp;
}

// UDP first: TCP is held against what it finds.
asio::awaitable<Outcome<json>> measure_way(PathRequest request, path::Direction direction, path::PathProgress progress, Stop& stop) {
  path::UdpRequest order;
  order.direction = direction;
  order.capacity = request.udp();
  order.ceiling_bps = request.ceiling_bps;
  order.packet_bytes = static_cast<std::size_t>(request.packet_bytes);
  order.limit = milliseconds_of(request.search_s());
  auto far_end = request.far_end;
  auto searching = progress;
  auto udp = co_await path::measure_udp(std::move(far_end), order, std::move(searching), stop);
  if (!udp) co_return udp.error();
  json found = {{"unread", json::object()}};
  const auto wire_bps = put_udp(found, *udp, request.udp());
  if (!request.tcp() || stop.requested()) {
    Outcome<json> out(boost::system::in_place_value, std::move(found));
    co_return out;
  }
  path::PathProgress on_time = [progress, before = request.total_s() - request.seconds](double done, double total) {
    if (progress) progress(before + done, total);
  };
  far_end = request.far_end;
  const bool black_hole = udp->blocked.empty() && udp->mtu.black_hole();
  auto tcp = co_await path::measure_throughput(std::move(far_end), direction, milliseconds_of(request.seconds), request.ceiling_bps,
                                               std::move(on_time), stop, black_hole ? patience_in_a_black_hole : usual_patience);
  if (!tcp && black_hole && tcp.error().kind == FaultKind::timed_out) {
    Outcome<json> out(boost::system::in_place_value, stalled(std::move(found), direction, *udp));
    co_return out;
  }
  if (!tcp) co_return tcp.error();
  const bool probed = udp->blocked.empty() && udp->mtu.bytes > 0;
  path::apply_method(*tcp, probed ? std::optional<double>(static_cast<double>(udp->mtu.bytes)) : std::nullopt, wire_bps);
  json answer = *tcp;
  // What TCP believes the MTU to be stands in where no probe came through.
  if (!probed) found["unread"].erase("path_mtu_bytes");
  for (const auto& [key, value] : found.items())
    if (key == "unread")
      answer["unread"].update(value);
    else if (!(key == "path_mtu_bytes" && value.is_null()))
      answer[key] = value;
  answer["path_mtu_by"] = probed ? "probes" : "tcp";
  Outcome<json> out(boost::system::in_place_value, std::move(answer));
  co_return out;
}

}  // namespace

asio::awaitable<AskAnswer> Asks::path(json arguments, AskProgress progress, Stop& stop) {
  if (asks_plain_reflector(arguments)) {
    auto delay = answer_plain_delay(std::move(arguments), secrets_, std::move(progress), stop);
    co_return co_await std::move(delay);
  }
  const auto request = read_request(arguments, secrets_);
  if (!request) co_return failed(request.error());
  json answer = json::object();
  bool whole = true;
  if (request->only.contains("delay")) {
    auto delay = add_delay(arguments, request->far_end.key, answer, progress, stop);
    const auto no_delay = co_await std::move(delay);
    if (no_delay) co_return failed(*no_delay);
    whole = answer.at("delay").is_object();
  }
  if (!request->tcp() && !request->udp()) co_return read(std::move(answer), whole);
  for (const auto direction : {path::Direction::to_far_end, path::Direction::from_far_end}) {
    if (stop.requested()) break;
    const bool to = direction == path::Direction::to_far_end;
    path::PathProgress on_time = [progress, to, total = request->total_s()](double done, double) {
      if (progress) progress((to ? 0 : total) + std::min(done, total), 2 * total, std::string("measuring ") + (to ? "to" : "from") + " the far end");
    };
    PathRequest asked = *request;
    auto way = co_await measure_way(std::move(asked), direction, std::move(on_time), stop);
    // What was read before stays; the other way would fail alike.
    const bool has_delay = answer.contains("delay") && answer.at("delay").is_object();
    if (!way && !has_delay && !answer.contains("to")) co_return failed(way.error());
    if (!way) {
      for (const char* name : {"to", "from"}) {
        if (answer.contains(name)) continue;
        answer[name] = nullptr;
        answer["unread"][name] = way.error().sentence();
      }
      co_return read(std::move(answer), false);
    }
    whole = whole && was_read(*way, *request);
    answer[to ? "to" : "from"] = std::move(*way);
  }
  for (const char* way : {"to", "from"})
    if (!answer.contains(way)) {
      answer[way] = nullptr;
      answer["unread"][way] = "it was ended before this way was measured";
      whole = false;
    }
  co_return read(std::move(answer), whole);
}

}  // namespace tallywire::round
