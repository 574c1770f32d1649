#include "daemon/round/real_instruments.hpp"

#include "daemon/round/access.hpp"
#include "probes/camera/identity.hpp"
#include "probes/deadline.hpp"
#include "probes/link/switch_reader.hpp"
#include "probes/path/far_end_asker.hpp"
#include "probes/stream/receiver.hpp"
#include "probes/volume/volume.hpp"

#include <algorithm>

namespace tallywire::round {

namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

constexpr auto answer_limit = 5s;
constexpr auto unit_limit = 20s;  // all that a unit is asked by ONVIF
constexpr auto switch_limit = 15s;
constexpr auto between_looks = 2s;
constexpr int most_second_looks = 5;
// Ceilings are of the wire; a full segment of 1448 octets costs it 1538 (RFC 6349 §4.1.1, IEEE 802.3), a smaller one more.
constexpr double payload_of_wire_ratio = 1448.0 / 1538;
constexpr double rate_means_something_s = 3;
constexpr std::size_t most_volume_files = 64;  // of a round, which measures for some seconds

std::chrono::milliseconds milliseconds_of(double seconds) {
  return std::chrono::milliseconds(static_cast<std::int64_t>(seconds * 1000));
}

Measured all_unread(const std::string& subject, std::initializer_list<const char*> quantities, Fault fault) {
  Measured out;
  for (const char* quantity : quantities)
    out.readings.push_back(unread(subject, quantity, fault.sentence(), now_utc()));
  out.fault = std::move(fault);
  return out;
}

Fault no_secret(const std::string& name) {
  return {FaultKind::bad_request, "there is no secret “" + name + "”", "the secrets file", "add it, see docs/design-file.md"};
}

// Load is that between `before` and `report`; errors are counted since the `earlier` look.
void fill_look(SwitchLook& out, const link::SwitchReport& report, const link::SwitchReport* before, const link::SwitchReport& earlier) {
  const auto rates = before ? link::difference(*before, report) : std::map<std::string, link::PortRate>();
  const auto counts = link::difference(earlier, report);
  const auto restarted = before ? link::restarted_counters(*before, report) : std::map<std::string, std::string>();
  out.readings = link::to_readings(report, "");
  for (const auto& port : report.ports) {
    auto& look_at = out.ports[port.name];
    const auto rate = rates.find(port.name), count = counts.find(port.name);
    look_at.readings = link::to_readings(report, port, "", rate == rates.end() ? nullptr : &rate->second, count == counts.end() ? nullptr : &count->second);
    if (rate != rates.end()) {
      look_at.in_bps = rate->second.in_bps;
      look_at.out_bps = rate->second.out_bps;
    } else if (const auto why = restarted.find(port.name); why != restarted.end()) {
      for (const char* quantity : {"in_load_ratio", "out_load_ratio"}) look_at.readings.push_back(unread("", quantity, why->second, report.when));
    }
    if (!port.hardware_address.empty()) out.own_addresses.push_back(port.hardware_address);
    for (const auto& address : port.learnt) out.learnt[address.hardware_address] = port.name;
    for (const auto& n : report.neighbours)
      if (n.index == port.index && n.bridges.value_or(false)) look_at.bridging_neighbours.push_back(n.chassis_id);
  }
  if (const auto why = report.unread.find("learnt_addresses"); why != report.unread.end()) out.learnt_unread = why->second;
}

bool has_counted(const link::SwitchReport& before, const link::SwitchReport& after) {
  for (const auto& now : after.ports)
    for (const auto& then : before.ports)
      if (now.index == then.index && (now.in_octets != then.in_octets || now.out_octets != then.out_octets)) return true;
  return false;
}

// An agent may answer from tables that it renews every few seconds only. We have just spoken to it, so some port must have counted.
// What had not moved for a while has moved in the time since then at most: so the load is rather told too high than too low.
asio::awaitable<Outcome<link::SwitchReport>> look_until_counted(asio::thread_pool& blocking, std::function<Outcome<link::SwitchReport>()> look,
                                                                link::SwitchReport& first, Stop& stop) {
  const auto begun = first.when;
  auto stood_still_until = begun;
  for (int looks = 0; looks < most_second_looks; ++looks) {
    co_await pause_for(between_looks);
    auto again = look;
    auto second = co_await offload<Outcome<link::SwitchReport>>(blocking, std::move(again));
    if (!second || stop.requested() || has_counted(first, *second)) {
      if (second && stood_still_until > begun) first.when = second->when - (stood_still_until - begun);
      co_return second;
    }
    stood_still_until = second->when;
  }
  Fault still{FaultKind::unsupported, "the switch's octet counters do not move", "", ""};
  co_return still;
}

}  // namespace

asio::awaitable<Outcome<camera::CameraReport>> RealInstruments::ask_unit(const config::Camera& camera, Stop& stop) {
  camera::CameraRequest request;
  request.address = camera.address;
  request.onvif_tcp_port = camera.onvif_port;
  request.https = camera.onvif_https;
  request.answer_limit = answer_limit;
  request.total_limit = unit_limit;
  if (camera.login_secret) request.login = login_of(secrets_, *camera.login_secret);
  auto& told = told_[camera.id];
  // However the asking ends, nobody waits for it for ever.
  struct Asking {
    Told& told;
    explicit Asking(Told& t) : told(t) { told.state = Told::being_asked; }
    ~Asking() { told.state = Told::asked; }
  };
  const Asking asking(told);
  told.media.reset();
  told.unread = "asking the unit broke off";
  auto report = co_await camera::ask_camera(std::move(request), stop);
  if (!report) {
    told.unread = report.error().what;
  } else if (report->media) {
    told.media = report->media;
  } else {
    const auto why = report->unread.find("media");
    told.unread = why == report->unread.end() ? "the unit does not tell" : why->second;
  }
  co_return report;
}

asio::awaitable<Measured> RealInstruments::ask_camera(const config::Camera& camera, Stop& stop) {
  const auto subject = config::subject_of(camera);
  logins_.erase(camera.id);  // a new round tries anew
  auto report = co_await ask_unit(camera, stop);
  Measured out;
  if (report)
    out.readings = camera::to_readings(*report, subject);
  else
    out = all_unread(subject, {"clock_offset_s", "serial", "firmware", "model", "heads"}, report.error());
  const auto login = camera.login_secret ? login_of(secrets_, *camera.login_secret) : std::nullopt;
  auto told = readings_told(camera, told_[camera.id], login ? login->password : "", now_utc());
  out.readings.insert(out.readings.end(), std::make_move_iterator(told.begin()), std::make_move_iterator(told.end()));
  co_return out;
}

// A stream that is metered before its unit was asked asks first; the streams of a unit ask once.
asio::awaitable<Outcome<std::string>> RealInstruments::find_url(const config::Camera& camera, const config::Head& head,
                                                                const config::Stream& s, Stop& stop) {
  auto& told = told_[camera.id];
  if (!s.path) {
    while (told.state == Told::being_asked) co_await pause_for(20ms);  // ends with the asking, which has limits
    if (told.state == Told::unasked) co_await ask_unit(camera, stop);
  }
  auto url = url_of(camera, head, s, told);
  co_return url;
}

asio::awaitable<Measured> RealInstruments::meter_stream(const config::Camera& camera, const config::Head& head,
                                                        const config::Stream& s, Metering metering, Stop& stop) {
  const auto subject = config::subject_of(camera, head, s);
  stream::StreamRequest request;
  std::optional<Fault> fault;
  auto url = co_await find_url(camera, head, s, stop);
  if (url)
    request.url = *url;
  else
    fault = url.error();
  request.duration = milliseconds_of(metering.seconds);
  // A stream begins with a key frame: the mean means something after a while.
  if (metering.sends)
    request.brought = [sends = std::move(metering.sends)](double octets, double over_s) {
      if (over_s >= rate_means_something_s) sends(octets * 8 / over_s);
    };
  request.answer_limit = answer_limit;
  request.transport = static_cast<stream::TransportChoice>(s.transport);
  request.allow_basic = camera.allow_basic_login;
  if (camera.login_secret) {
    request.login = login_of(secrets_, *camera.login_secret);
    if (!request.login) fault = no_secret(*camera.login_secret);
  }
  Measured out;
  if (fault) {
    out.readings = stream::to_readings(stream::unread_report(fault->sentence(), now_utc()), subject);
    out.fault = std::move(fault);
    co_return out;
  }
  co_await wait_for_login(camera.id);
  auto& login = logins_[camera.id];
  if (login.state == Login::refused) {
    out.readings = stream::to_readings(stream::unread_report(login.fault.sentence(), now_utc()), subject);
    out.fault = login.fault;
    co_return out;
  }
  const bool first = login.state == Login::untried;
  if (first) login.state = Login::being_tried;
  stream::StreamProgress on_time = [&login](double, double) { login.state = Login::accepted; };
  auto received = co_await stream::receive_stream(std::move(request), std::move(on_time), stop);
  if (received.fault && received.fault->kind == FaultKind::refused && login.state != Login::accepted) {
    login.state = Login::refused;
    login.fault = *received.fault;
  } else if (first && login.state == Login::being_tried) {
    login.state = Login::untried;  // it said nothing of the login: the next one tries
  }
  out.readings = stream::to_readings(received.report, subject);
  out.fault = std::move(received.fault);
  co_return out;
}

// Ends with the trial, which has limits of its own.
asio::awaitable<void> RealInstruments::wait_for_login(const std::string& camera) {
  while (logins_[camera].state == Login::being_tried) co_await pause_for(20ms);
}

asio::awaitable<SwitchLook> RealInstruments::look_at_switch(const config::Switch& sw, Stop& stop) {
  SwitchLook out;
  const auto access = snmp_of(secrets_, sw.snmp->secret, sw.address, sw.snmp->udp_port);
  if (!access) {
    out.fault = no_secret(sw.snmp->secret);
    co_return out;
  }
  std::function<Outcome<link::SwitchReport>()> look = [access = *access] { return link::read_switch(access, switch_limit); };
  auto once = look;
  auto first = co_await offload<Outcome<link::SwitchReport>>(blocking_, std::move(once));
  if (!first) {
    out.fault = first.error();
    co_return out;
  }
  auto looking = look_until_counted(blocking_, std::move(look), *first, stop);
  auto second = co_await std::move(looking);
  auto& last = last_looks_[sw.id];
  // A service that has just started knows no look before these two.
  const auto& earlier = last.ports.empty() ? *first : last;
  fill_look(out, second ? *second : *first, second ? &*first : nullptr, earlier);
  last = std::move(second ? *second : *first);
  co_return out;
}

RealInstruments RealInstruments::beside() const {
  RealInstruments out(secrets_, blocking_);
  out.far_end_ = far_end_;
  out.kept_free_ratio_ = kept_free_ratio_;
  out.tapped_ = tapped_;
  out.interfaces_ = interfaces_;
  out.last_looks_ = last_looks_;
  return out;
}

asio::awaitable<std::vector<link::PortReport>> RealInstruments::read_own_ports() {
  std::function<std::vector<link::PortReport>()> read = [interfaces = interfaces_] {
    std::vector<link::PortReport> out;
    for (const auto& interface : interfaces)
      if (auto port = link::read_port(interface)) out.push_back(std::move(*port));
    return out;
  };
  co_return co_await offload<std::vector<link::PortReport>>(blocking_, std::move(read));
}

asio::awaitable<OwnLink> RealInstruments::look_at_own_link(Stop& stop) {
  OwnLink out;
  const auto before = co_await read_own_ports();
  if (before.empty() || stop.requested()) co_return out;
  co_await pause_for(between_looks);
  const auto after = co_await read_own_ports();
  for (const auto& now : after) {
    if (now.link_speed_bps && *now.link_speed_bps > 0) out.speed_bps = std::min(out.speed_bps.value_or(1e18), static_cast<double>(*now.link_speed_bps));
    const auto was = std::find_if(before.begin(), before.end(), [&](const auto& p) { return p.interface == now.interface; });
    if (was == before.end()) continue;
    const double over_s = std::chrono::duration<double>(now.when - was->when).count();
    const auto rate = [&](const char* counter, std::optional<double>& bps) {
      const auto first = was->counters.find(counter), last = now.counters.find(counter);
      if (first == was->counters.end() || last == now.counters.end() || last->second < first->second || !(over_s > 0)) return;
      bps = std::max(bps.value_or(0), static_cast<double>(last->second - first->second) * 8 / over_s);
    };
    rate("rx_bytes", out.in_bps);
    rate("tx_bytes", out.out_bps);
  }
  co_return out;
}

asio::awaitable<Measured> RealInstruments::measure_path(const config::FarEndAt& far_end, double ceiling_bps,
                                                        double seconds, Stop& stop) {
  Measured out;
  const auto key = secrets_.key(far_end.secret);
  if (!key) {
    out = all_unread(config::far_end_subject, {"tcp_goodput_bps", "round_trip_ms"}, no_secret(far_end.secret));
    co_return out;
  }
  if (!(ceiling_bps > 0)) {
    const Fault full{FaultKind::refused, "the links on the way carry as much as they may already", far_end.address, "repeat when less is recorded"};
    out = all_unread(config::far_end_subject, {"tcp_goodput_bps", "round_trip_ms"}, full);
    co_return out;
  }
  path::FarEndAddress address{far_end.address, far_end.tcp_port, *key};
  path::PathProgress nobody;
  auto report = co_await path::measure_throughput(std::move(address), path::Direction::to_far_end,
                                                  milliseconds_of(seconds), ceiling_bps * payload_of_wire_ratio, std::move(nobody), stop);
  if (report)
    out.readings = path::to_readings(*report, config::far_end_subject);
  else
    out = all_unread(config::far_end_subject, {"tcp_goodput_bps", "round_trip_ms"}, report.error());
  co_return out;
}

asio::awaitable<Measured> RealInstruments::measure_volume(const config::Recorder& recorder, const config::Volume& volume,
                                                          double seconds, Stop& stop) {
  const auto subject = config::subject_of(recorder, volume);
  const int files = static_cast<int>(std::clamp<std::size_t>(volume.streams.size(), 1, most_volume_files));
  Outcome<volume::VolumeReport> report = Fault{};
  if (volume.on_far_end) {
    const auto key = far_end_ ? secrets_.key(far_end_->secret) : std::nullopt;
    if (!key) {
      report = no_secret(far_end_ ? far_end_->secret : "of the far end");
    } else {
      path::FarEndAddress address{far_end_->address, far_end_->tcp_port, *key};
      report = co_await path::measure_far_volume(std::move(address), volume.path, milliseconds_of(seconds), files, stop, kept_free_ratio_);
    }
  } else {
    volume::VolumeRequest request;
    request.path = volume.path;
    request.duration = milliseconds_of(seconds);
    request.parallel_files = files;
    request.kept_free_ratio = kept_free_ratio_;
    std::function<Outcome<volume::VolumeReport>()> measure = [request, &stop] {
      return volume::measure_volume(request, stop.flag(), {});
    };
    report = co_await offload<Outcome<volume::VolumeReport>>(blocking_, std::move(measure));
  }
  Measured out;
  if (report)
    out.readings = volume::to_readings(*report, subject);
  else
    out = all_unread(subject, {"sustained_write_bytes_per_s", "slowest_second_bytes_per_s"}, report.error());
  co_return out;
}

}  // namespace tallywire::round
