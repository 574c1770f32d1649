// The instruments that measure on the wire: each calls one probe and names what it read as the design
// does. Network thread; SNMP runs on the pool.
#pragma once

#include "config/secrets.hpp"
#include "daemon/round/instruments.hpp"
#include "daemon/round/told_media.hpp"
#include "probes/link/ethernet_port.hpp"
#include "probes/link/switch_reader.hpp"

#include <boost/asio/thread_pool.hpp>

#include <map>

namespace tallywire::round {

class RealInstruments : public Instruments {
 public:
  RealInstruments(const config::Secrets& secrets, boost::asio::thread_pool& blocking)
      : secrets_(secrets), blocking_(blocking) {}

  boost::asio::awaitable<Measured> ask_camera(const config::Camera& camera, Stop& stop) override;
  boost::asio::awaitable<Measured> meter_stream(const config::Camera& camera, const config::Head& head,
                                                const config::Stream& stream, Metering metering,
                                                Stop& stop) override;
  boost::asio::awaitable<SwitchLook> look_at_switch(const config::Switch& sw, Stop& stop) override;
  boost::asio::awaitable<OwnLink> look_at_own_link(Stop& stop) override;
  boost::asio::awaitable<Measured> measure_path(const config::FarEndAt& far_end, double ceiling_bps,
                                                double seconds, Stop& stop) override;
  boost::asio::awaitable<Measured> measure_volume(const config::Recorder& recorder,
                                                  const config::Volume& volume, double seconds,
                                                  Stop& stop) override;
  std::vector<Reading> tapped() override { return tapped_ ? tapped_() : std::vector<Reading>(); }
  // Where the readings of held taps are to be had.
  void set_tapped(std::function<std::vector<Reading>()> tapped) { tapped_ = std::move(tapped); }
  // The far end that measures volumes which are not on this machine.
  void set_far_end(std::optional<config::FarEndAt> far_end) { far_end_ = std::move(far_end); }
  // Those that this machine hears the units on.
  void set_interfaces(std::vector<std::string> interfaces) { interfaces_ = std::move(interfaces); }
  // The same for a round beside another: what units say in the one is not the other's. Errors are counted from the same looks.
  RealInstruments beside() const;
  // Of a volume's capacity, which a measurement never writes into.
  void set_kept_free(double ratio) { kept_free_ratio_ = ratio; }

 private:
  // What a unit's RTSP said to our login in this round. The streams of a unit wait for the first of them: a password
  // that is refused is tried once, and locks nobody out.
  struct Login {
    enum { untried, being_tried, accepted, refused } state = untried;
    Fault fault;  // why, when refused
  };
  boost::asio::awaitable<void> wait_for_login(const std::string& camera);

  // What a unit said of its streams when it was asked last. Those without a path wait for it.
  struct Told : ToldMedia {
    enum { unasked, being_asked, asked } state = unasked;
  };
  boost::asio::awaitable<Outcome<camera::CameraReport>> ask_unit(const config::Camera& camera, Stop& stop);
  boost::asio::awaitable<Outcome<std::string>> find_url(const config::Camera& camera, const config::Head& head,
                                                        const config::Stream& stream, Stop& stop);

  boost::asio::awaitable<std::vector<link::PortReport>> read_own_ports();

  const config::Secrets& secrets_;
  boost::asio::thread_pool& blocking_;
  std::optional<config::FarEndAt> far_end_;
  double kept_free_ratio_ = config::Limits().volume_kept_free_ratio;
  std::function<std::vector<Reading>()> tapped_;
  std::vector<std::string> interfaces_;
  std::map<std::string, Login> logins_;  // by camera
  std::map<std::string, Told> told_;     // by camera
  std::map<std::string, link::SwitchReport> last_looks_;  // by switch: errors are counted from one round to the next
};

}  // namespace tallywire::round
