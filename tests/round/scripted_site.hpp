// A small site for tests of rounds: its design, instruments that answer as a test scripts them, and who keeps the roll.
#pragma once

#include "daemon/round/runner.hpp"
#include "probes/deadline.hpp"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>

namespace tallywire::round::scripted {

namespace asio = boost::asio;

inline config::Design site() {
  config::Design d;
  d.site.name = "a site";
  d.switches = {{"hall", "", "198.51.100.2", config::SnmpAccess{}, {"p1", "p2"},
                 {{"up", "up", "core", 1'000'000'000}}, {}}};
  d.entry_switch = "hall";
  d.limits.stream_seconds = 0.05;
  for (const char* id : {"gate", "yard"}) {
    config::Camera camera;
    camera.id = id;
    camera.switch_id = "hall";
    camera.port = id == std::string("gate") ? "p1" : "p2";
    camera.link_speed_bps = 1'000'000'000;
    camera.hardware_address = id == std::string("gate") ? "02:00:5e:10:00:01" : "02:00:5e:10:00:02";
    config::Stream s;
    s.id = "main";
    s.codec = "H264";
    s.width_px = 1920;
    s.height_px = 1080;
    s.frame_rate_hz = 25;
    s.bit_rate_bps = 4'000'000;
    camera.heads = {{"1", "", {s}}};
    d.cameras.push_back(camera);
  }
  return d;
}

// A site that answers as told: everything right, but for what a test breaks.
class Scripted : public Instruments {
 public:
  int streams_opened = 0;
  std::function<void()> when_metering;
  std::string stream_fault;
  bool throws = false;
  std::chrono::nanoseconds metered_over{0};  // 0: nothing is told of it
  std::vector<Reading> by_tap;
  std::vector<Reading> tapped() override { return by_tap; }

  asio::awaitable<Measured> ask_camera(const config::Camera& camera, Stop&) override {
    Measured out;
    out.readings.push_back(
        read_number(config::subject_of(camera), "clock_offset_s", 0.1, "asked", now_utc()));
    co_return out;
  }
  asio::awaitable<Measured> meter_stream(const config::Camera& camera, const config::Head& head,
                                         const config::Stream& s, Metering, Stop&) override {
    ++streams_opened;
    if (when_metering) when_metering();
    co_await pause_for(std::chrono::milliseconds(5));
    if (throws) throw std::logic_error("a bug in a probe");
    Measured out;
    const auto subject = config::subject_of(camera, head, s);
    const auto now = now_utc();
    if (!stream_fault.empty()) {
      out.fault = Fault{FaultKind::refused, stream_fault, camera.address, ""};
      for (const char* q : {"codec", "payload_bps"}) out.readings.push_back(unread(subject, q, stream_fault, now));
      co_return out;
    }
    out.readings = {read_word(subject, "codec", "H264", "SDP", now),
                    read_number(subject, "width_px", 1920, "SPS", now),
                    read_number(subject, "height_px", 1080, "SPS", now),
                    read_number(subject, "frame_rate_hz", 25, "RTP", now),
                    read_number(subject, "payload_bps", 4e6, "RTP", now),
                    read_number(subject, "wire_bps", 4.2e6, "RTP", now),
                    read_number(subject, "peak_bps_100ms", 6e6, "RTP", now),
                    read_number(subject, "loss_ratio", 0, "RTP", now),
                    read_number(subject, "jitter_ms", 1, "RTP", now)};
    for (auto& r : out.readings)
      if (r.number()) r.over = metered_over;
    co_return out;
  }
  std::vector<Reading> of_switch, of_first_port;
  asio::awaitable<SwitchLook> look_at_switch(const config::Switch&, Stop&) override {
    SwitchLook look;
    look.learnt = {{"02:00:5e:10:00:01", "p1"}, {"02:00:5e:10:00:02", "p2"}};
    for (const char* port : {"p1", "p2"})
      look.ports[port].readings = {read_number("", "link_speed_bps", 1e9, "IF-MIB", now_utc())};
    look.ports["p1"].readings.insert(look.ports["p1"].readings.end(), of_first_port.begin(), of_first_port.end());
    look.readings = of_switch;
    co_return look;
  }
  asio::awaitable<Measured> measure_path(const config::FarEndAt&, double, double, Stop&) override {
    co_return Measured{};
  }
  asio::awaitable<Measured> measure_volume(const config::Recorder&, const config::Volume&, double,
                                           Stop&) override {
    co_return Measured{};
  }
};

class Keeper : public RollKeeper {
 public:
  explicit Keeper(const config::Design& design) : roll_(design, {}, now_utc()) {}
  const Roll& roll() const override { return roll_; }
  void heard(const std::string& camera) override { roll_.heard(camera, now_utc()); }
  void place(const std::string& mac, const std::string& on) override { roll_.place(mac, on); }
  void judged(const std::string& camera, Presence is, const std::string& reason, SystemTime) override {
    roll_.judged(camera, is, reason, now_utc());
  }
  void port_down(const std::string& port) override { roll_.port_down(port, now_utc()); }
  void not_a_unit(const std::string& address) override { roll_.not_a_unit(address); }
  std::vector<verdict::Finding> findings() const override { return found; }
  std::vector<verdict::Finding> found;
  void arrive(const std::string& mac) { roll_.see({mac, "198.51.100.31", now_utc()}); }
  void arrive_all() {
    roll_.see({"02:00:5e:10:00:01", "198.51.100.31", now_utc()});
    roll_.see({"02:00:5e:10:00:02", "198.51.100.32", now_utc()});
  }

 private:
  Roll roll_;
};

class Ears : public RoundListener {
 public:
  nlohmann::json head;
  std::size_t readings = 0;
  std::string replan;
  void planned(const nlohmann::json& h) override { head = h; }
  void replanned(double, const std::string& plan) override { replan = plan; }
  void progressed(double, double, const std::string&) override {}
  void read(const std::vector<Reading>& r) override { readings += r.size(); }
};

struct Run {
  config::Design design = site();
  Scripted instruments;
  Ears ears;
  Stop stop;
  LinkRoom room;
  RunnerLimits limits;
  Keeper keeper{design};

  nlohmann::json round(RoundOrder order = {}) {
    asio::io_context context;
    Runner runner(design, keeper, instruments, room, ears, stop, limits);
    nlohmann::json out;
    auto work = runner.run(std::move(order));
    asio::co_spawn(context, std::move(work), [&out](std::exception_ptr e, nlohmann::json document) {
      if (e) std::rethrow_exception(e);
      out = std::move(document);
    });
    context.run();
    return out;
  }
};

}  // namespace tallywire::round::scripted
