// One reception: a stream received over one lower transport, from the first request to TEARDOWN, with its meters. A session
// that breaks in the middle is resumed once. Network thread.
#pragma once

#include "probes/stop.hpp"
#include "probes/stream/beat.hpp"
#include "probes/stream/media_sockets.hpp"
#include "probes/stream/meter.hpp"
#include "probes/stream/receiver.hpp"
#include "probes/stream/rtsp_session.hpp"

#include <boost/asio/awaitable.hpp>
#include <boost/asio/steady_timer.hpp>

#include <array>
#include <chrono>
#include <memory>
#include <optional>
#include <vector>

namespace tallywire::stream {

class Reception {
 public:
  Reception(boost::asio::any_io_executor executor, const StreamRequest& request, wire::Url url,
            const StreamProgress& progress, Stop& stop);

  boost::asio::awaitable<Outcome<StreamReport>> run(wire::LowerTransport transport);

 private:
  using Clock = std::chrono::steady_clock;

  struct Track {
    wire::ExchangeTrack agreed;
    std::unique_ptr<Meter> meter;
    std::unique_ptr<MediaSockets> sockets;  // none when interleaved
    std::uint32_t own_ssrc = 0;
    Clock::time_point report_due{};
  };
  // Where an interleaved channel leads.
  struct Channel {
    std::uint8_t track = none;
    bool rtcp = false;
    static constexpr std::uint8_t none = 255;
  };

  boost::asio::awaitable<Outcome<bool>> begin_session();
  boost::asio::awaitable<void> receive();
  boost::asio::awaitable<void> resume_once();
  boost::asio::awaitable<void> end_session();

  Outcome<bool> adopt(const wire::ExchangeResult& result);
  Outcome<bool> join_groups();
  MeterSettings settings_of(const wire::ExchangeTrack& track) const;
  Outcome<std::vector<wire::PortPair>> open_ports(std::size_t count, const std::string& own_address);
  void map_channels();
  static Clock::duration report_delay(bool first);

  void on_beat(const Beat::Strike& strike);
  void drain_control();
  void drain_datagrams(std::uint32_t readable);
  void take_frame(std::uint8_t channel, wire::Octets packet, SystemTime when);
  void take_packet(Track& track, wire::Octets packet, SystemTime when);
  void look_for_end();
  void tell_progress();
  void keep_alive();
  void send_reports();
  void break_off(Fault fault);

  bool done() const { return over_ || broken_ || stop_.requested(); }
  bool interleaved() const { return transport_ == wire::LowerTransport::tcp; }
  std::string where() const;
  std::string destination() const;
  StreamReport report() const;
  void describe_session(StreamReport& out) const;

  boost::asio::any_io_executor executor_;
  const StreamRequest& request_;
  wire::Url url_;
  const StreamProgress& progress_;
  Stop& stop_;
  wire::LowerTransport transport_ = wire::LowerTransport::tcp;
  std::unique_ptr<RtspSession> session_;
  // Of the last session that played: the one after it may have failed.
  wire::ExchangeResult agreed_;
  std::string destination_;
  std::optional<TlsFacts> tls_;
  std::vector<std::unique_ptr<MediaSockets>> opened_;  // before it is known whose they are
  std::vector<Track> tracks_;
  std::array<Channel, 256> channels_{};
  boost::asio::steady_timer event_;

  std::optional<Clock::time_point> first_packet_;
  Clock::time_point last_packet_{};
  Clock::time_point playing_since_{};
  Clock::time_point alive_due_{};
  Clock::time_point progress_due_{};
  Clock::time_point now_{};       // of the beat under way
  std::int64_t reports_sent_ = 0;
  bool over_ = false;
  bool control_closed_ = false;   // UDP: packets may go on without it
  std::optional<Fault> broken_;
  std::optional<std::string> resumed_after_;  // why the first session ended
  std::optional<Fault> not_resumed_;
};

}  // namespace tallywire::stream
