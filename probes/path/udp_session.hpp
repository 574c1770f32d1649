// One end of a UDP measurement: its socket, its token, and what it does with them. Blocking; on one thread at a time, never the
// network thread. end() may be called on any thread and ends what runs within 200 ms.
#pragma once

#include "probes/path/path_mtu.hpp"
#include "probes/path/udp_train.hpp"

#include <nlohmann/json_fwd.hpp>

#include <atomic>
#include <memory>

namespace tallywire::path {

class UdpSession {
 public:
  UdpSession(const UdpToken& token, boost::asio::ip::address here, boost::asio::ip::address there);
  Outcome<void> open();
  std::uint16_t port() const { return socket_.port(); }
  std::size_t header_octets() const { return socket_.header_octets(); }

  // The asker: greets the far end's port, so that what comes back finds its way through what stands between.
  Outcome<void> greet(std::uint16_t port);
  std::chrono::milliseconds round_trip() const { return round_trip_; }
  void set_round_trip(std::chrono::milliseconds value) { round_trip_ = value; }

  // Receiving and answering probes, from here on; the far end begins so and is greeted.
  void listen();
  bool was_greeted();
  void stop_listening() { receiver_.reset(); }

  PathMtu find_mtu() { return find_path_mtu(socket_, token_, round_trip_, ended_); }
  TrainSent send(const TrainPlan& plan) { return send_train(socket_, token_, plan, ended_); }
  // What came of a trial whose sender is done.
  TrainCount count(std::uint16_t trial);

  void end() { ended_ = true; }
  const std::atomic<bool>& ended() const { return ended_; }

 private:
  const UdpToken token_;
  const boost::asio::ip::address here_, there_;
  UdpSocket socket_;
  std::atomic<bool> ended_{false};
  std::chrono::milliseconds round_trip_{100};
  std::unique_ptr<TrainReceiver> receiver_;  // before the socket that it uses is gone
};

// What crosses between the ends. From JSON: none when a type or range is wrong.
nlohmann::json plan_to_json(const TrainPlan& plan);
std::optional<TrainPlan> plan_from_json(const nlohmann::json& in);
nlohmann::json sent_to_json(const TrainSent& sent);
std::optional<TrainSent> sent_from_json(const nlohmann::json& in);
nlohmann::json count_to_json(const TrainCount& count);
std::optional<TrainCount> count_from_json(const nlohmann::json& in);
nlohmann::json mtu_to_json(const PathMtu& mtu);
std::optional<PathMtu> mtu_from_json(const nlohmann::json& in);

}  // namespace tallywire::path
