#include "probes/path/udp_session.hpp"

#include <nlohmann/json.hpp>

#include <cmath>

namespace tallywire::path {
namespace {

using nlohmann::json;
using namespace std::chrono_literals;

// A queue that is emptied leaves no such gap; what comes later than that counts as lost.
constexpr auto quiet = 80ms;
constexpr auto longest_drain = 3s;
constexpr auto greeting_limit = 2s;

std::optional<double> number_in(const json& in, const char* key, double least, double most) {
  const auto at = in.find(key);
  if (at == in.end() || !at->is_number()) return std::nullopt;
  const double value = at->get<double>();
  return std::isfinite(value) && value >= least && value <= most ? std::optional<double>(value) : std::nullopt;
}

}  // namespace

UdpSession::UdpSession(const UdpToken& token, boost::asio::ip::address here, boost::asio::ip::address there)
    : token_(token), here_(std::move(here)), there_(std::move(there)) {}

Outcome<void> UdpSession::open() {
  if (auto fault = socket_.open(here_)) return *fault;
  return {};
}

Outcome<void> UdpSession::greet(std::uint16_t port) {
  if (auto fault = socket_.connect(UdpSocket::Endpoint(there_, port))) return *fault;
  const auto took = say_hello(socket_, token_, ended_);
  if (ended_) return Fault{FaultKind::cancelled, "stopped", there_.to_string(), ""};
  if (!took)
    return Fault{FaultKind::timed_out, "no UDP packet came through to the far end and back", there_.to_string() + " UDP port " + std::to_string(port),
                 "let UDP through between the two machines"};
  round_trip_ = *took;
  return {};
}

void UdpSession::listen() { receiver_ = std::make_unique<TrainReceiver>(socket_, token_, there_); }

bool UdpSession::was_greeted() { return receiver_ && receiver_->wait_for_hello(greeting_limit, ended_); }

TrainCount UdpSession::count(std::uint16_t trial) {
  TrainCount none;
  none.trial = trial;
  return receiver_ ? receiver_->wait_for(trial, quiet + round_trip_, longest_drain, ended_) : none;
}

json plan_to_json(const TrainPlan& p) {
  return {{"trial", p.trial}, {"packets", p.packets}, {"gap_ns", p.gap_ns}, {"packet_bytes", p.packet_bytes}};
}

std::optional<TrainPlan> plan_from_json(const json& in) {
  const auto trial = number_in(in, "trial", 1, 65535), packets = number_in(in, "packets", 1, most_trial_packets);
  const auto gap = number_in(in, "gap_ns", 1, 1e9), size = number_in(in, "packet_bytes", 64, 65535);
  if (!trial || !packets || !gap || !size) return std::nullopt;
  return TrainPlan{static_cast<std::uint16_t>(*trial), static_cast<std::uint32_t>(*packets), *gap, static_cast<std::size_t>(*size)};
}

json sent_to_json(const TrainSent& s) {
  return {{"packets", s.packets}, {"seconds", s.seconds}, {"blocked_s", s.blocked_s}, {"error", s.error}};
}

std::optional<TrainSent> sent_from_json(const json& in) {
  const auto packets = number_in(in, "packets", 0, most_trial_packets), seconds = number_in(in, "seconds", 0, 1e4);
  const auto blocked = number_in(in, "blocked_s", 0, 1e4), error = number_in(in, "error", 0, 4096);
  if (!packets || !seconds || !blocked || !error) return std::nullopt;
  return TrainSent{static_cast<std::uint32_t>(*packets), *seconds, *blocked, static_cast<int>(*error)};
}

json count_to_json(const TrainCount& c) {
  json out = {{"trial", c.trial}, {"received", c.received}, {"duplicates", c.duplicates}, {"dropped_here", c.dropped_here}};
  if (c.delay_growth_ms) out["delay_growth_ms"] = *c.delay_growth_ms;
  if (c.arrival_packets_per_s) out["arrival_packets_per_s"] = *c.arrival_packets_per_s;
  return out;
}

std::optional<TrainCount> count_from_json(const json& in) {
  const auto trial = number_in(in, "trial", 1, 65535), received = number_in(in, "received", 0, most_trial_packets);
  const auto duplicates = number_in(in, "duplicates", 0, 4e9), dropped = number_in(in, "dropped_here", 0, 4e9);
  if (!trial || !received || !duplicates || !dropped) return std::nullopt;
  TrainCount out;
  out.trial = static_cast<std::uint16_t>(*trial);
  out.received = static_cast<std::uint32_t>(*received);
  out.duplicates = static_cast<std::uint32_t>(*duplicates);
  out.dropped_here = static_cast<std::uint32_t>(*dropped);
  out.delay_growth_ms = number_in(in, "delay_growth_ms", -1e9, 1e9);
  out.arrival_packets_per_s = number_in(in, "arrival_packets_per_s", 0, 1e12);
  return out;
}

json mtu_to_json(const PathMtu& m) { return {{"bytes", m.bytes}, {"interface_bytes", m.interface_bytes}, {"told", m.told}}; }

std::optional<PathMtu> mtu_from_json(const json& in) {
  const auto bytes = number_in(in, "bytes", 0, 65535), interface = number_in(in, "interface_bytes", 0, 65535);
  const auto told = in.find("told");
  if (!bytes || !interface || told == in.end() || !told->is_boolean()) return std::nullopt;
  return PathMtu{static_cast<std::size_t>(*bytes), static_cast<std::size_t>(*interface), told->get<bool>()};
}

}  // namespace tallywire::path
