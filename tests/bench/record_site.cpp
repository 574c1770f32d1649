#include "record_site.hpp"

#include <algorithm>
#include <cmath>

namespace tallywire::bench {

using nlohmann::json;
using namespace std::chrono_literals;

std::size_t readings_of_night(SiteSize size) {
  constexpr int of_unit = 29, of_stream = 21;
  return static_cast<std::size_t>(size.units * (of_unit + size.streams_of_unit * of_stream));
}

std::string unit_subject(int unit) { return "camera/unit-" + std::to_string(unit); }

std::string stream_subject(int unit, int stream) {
  return unit_subject(unit) + "/head/" + std::to_string(1 + stream / 2) + "/stream/" + (stream % 2 == 0 ? "main" : "sub");
}

// What a reading of 10 s holds: 991 windows in some 40 classes.
std::string MadeUpSite::windows() {
  std::string out;
  int left = 991;
  double edge = 20000;
  for (int i = 0; i < 40 && left > 0; ++i, edge *= 1.044) {
    const int count = i == 39 ? left : std::min(left, static_cast<int>(std::abs(normal_(random_)) * 30) + 1);
    left -= count;
    out += (out.empty() ? "" : " ") + std::to_string(std::llround(edge)) + ":" + std::to_string(count);
  }
  return out;
}

void MadeUpSite::add_unit(int unit, SystemTime when, std::vector<Reading>& out) {
  const auto subject = unit_subject(unit);
  const bool silent = random_() % 100 == 0;
  const auto number = [&](const char* quantity, double value, const char* method, double uncertainty = 0) {
    out.push_back(silent ? unread(subject, quantity, "the unit is not on the wire", when)
                         : read_number(subject, quantity, value, method, when, {}, uncertainty));
  };
  const auto word = [&](const char* quantity, const std::string& value, const char* method) {
    out.push_back(silent ? unread(subject, quantity, "the unit is not on the wire", when) : read_word(subject, quantity, value, method, when));
  };
  number("clock_offset_s", 0.3 * normal_(random_), "ONVIF date and time", 0.5 + 0.001 * normal_(random_));
  word("serial", "SN" + std::to_string(100000 + unit), "ONVIF device information");
  word("firmware", "2.4.1", "ONVIF device information");
  word("model", "a quad", "ONVIF device information");
  number("heads", 2, "ONVIF media, video sources");
  out.push_back(read_word(subject, "presence", silent ? "lost" : "arrived", "frames heard and units asked", when));
  word("port", "sw-" + std::to_string(unit / 24) + "/" + std::to_string(unit % 24), "the switch's learnt addresses");
  word("link_state", "up", "IF-MIB");
  number("link_speed_bps", 1e9, "IF-MIB");
  word("duplex", "full", "EtherLike-MIB");
  word("negotiation", "automatic", "MAU-MIB");
  number("offered_speed_bps", 1e9, "MAU-MIB");
  number("in_errors", unit % 7, "IF-MIB");
  number("fcs_errors", unit % 5, "EtherLike-MIB");
  word("power_state", "deliveringPower", "POWER-ETHERNET-MIB");
  number("power_class", 4, "POWER-ETHERNET-MIB");
  number("power_requested_w", 21.5, "LLDP of the unit at the switch");
  number("power_allocated_w", 25.5, "LLDP of the unit at the switch");
  out.push_back(unread(subject, "power_drawn_w", "no standard table of a switch has the watts of a port (RFC 3621 has none)", when));
  number("in_load_ratio", std::abs(about(0.02)), "IF-MIB, two looks");
  number("out_load_ratio", std::abs(about(0.001)), "IF-MIB, two looks");
  for (const char* quantity : {"new_in_packets", "new_fcs_errors", "new_alignment_errors", "new_late_collisions", "new_symbol_errors", "new_power_denied",
                               "new_power_overloads", "new_power_shorts"})
    number(quantity, quantity == std::string("new_in_packets") ? std::floor(std::abs(about(90000))) : 0, "IF-MIB, two looks");
}

void MadeUpSite::add_stream(int unit, int stream, SystemTime when, std::vector<Reading>& out) {
  const auto subject = stream_subject(unit, stream);
  const double rate = stream % 2 == 0 ? 6e6 : 1e6, covered_s = 9.5 + 0.01 * static_cast<double>(random_() % 100);
  const auto over = std::chrono::nanoseconds(static_cast<std::int64_t>(about(10.02) * 1e9));
  const auto method = "RTP over udp, 5 whole GOPs in " + std::to_string(covered_s).substr(0, 4) + " s";
  const auto number = [&](const char* quantity, double value, double uncertainty = 0) {
    out.push_back(read_number(subject, quantity, value, method, when, over, uncertainty));
  };
  out.push_back(read_word(subject, "codec", "H.264", "session description", when));
  number("width_px", 1920);
  number("height_px", 1080);
  number("frame_rate_hz", about(25), 0.002 * std::abs(normal_(random_)));
  number("gop_frames", 50);
  number("payload_bps", about(rate), about(300));
  number("wire_bps", about(rate * 1.06), about(310));
  number("peak_bps_100ms", about(rate * 3));
  out.push_back(read_word(subject, "wire_windows_100ms", windows(), method, when));
  out.back().over = over;
  number("keyframe_bytes_mean", about(120000));
  number("keyframe_bytes_max", std::floor(about(140000)));
  number("loss_ratio", 0);
  number("lost_packets", 0);
  number("jitter_ms", std::abs(about(0.4)), 0.05);
  const char* told = "ONVIF media 2, profile main";
  out.push_back(read_word(subject, "told_codec", "H.264", told, when));
  for (const auto& [quantity, value] : {std::pair("told_width_px", 1920.0), {"told_height_px", 1080.0}, {"told_frame_rate_hz", 25.0},
                                        {"told_bit_rate_bps", rate}, {"told_gop_frames", 50.0}})
    out.push_back(read_number(subject, quantity, value, told, when));
  const auto url = "rtsp://198.51.100." + std::to_string(unit % 250) + ":554/media/" + std::to_string(stream);
  out.push_back(read_word(subject, "told_stream_url", url, told, when));
}

std::vector<Reading> MadeUpSite::night(SystemTime when) {
  std::vector<Reading> out;
  for (int unit = 0; unit < size_.units; ++unit) add_unit(unit, when + std::chrono::milliseconds(unit * 40), out);
  for (int unit = 0; unit < size_.units; ++unit)
    for (int stream = 0; stream < size_.streams_of_unit; ++stream)
      add_stream(unit, stream, when + 60s + std::chrono::milliseconds(unit * 300 + stream * 7), out);
  return out;
}

json MadeUpSite::document(SystemTime when, const std::vector<Reading>& readings) {
  json verdicts = json::array(), roll = json::array(), headroom = json::array();
  for (const auto& r : readings) {
    bool judged = false;
    for (const char* quantity : {"codec", "width_px", "height_px", "frame_rate_hz", "payload_bps", "gop_frames", "loss_ratio", "jitter_ms", "serial",
                                 "firmware", "presence", "port", "link_speed_bps", "power_class", "clock_offset_s"})
      judged = judged || r.quantity == quantity;
    if (!judged) continue;
    json reading = r;
    reading.erase("subject");
    reading.erase("quantity");
    verdicts.push_back({{"subject", r.subject}, {"quantity", r.quantity}, {"verdict", r.is_read() ? "met" : "unread"},
                        {"target", {{"relation", "between"}, {"low", 23.75}, {"high", 26.25}, {"word", nullptr}, {"promised", 25}, {"reserve", 0.2},
                                    {"text", "25 frames/s, 5 % either way"}}},
                        {"reading", reading}, {"margin_ratio", std::abs(normal_(random_))}, {"reason", r.unread}});
  }
  for (int unit = 0; unit < size_.units; ++unit)
    roll.push_back({{"camera", "unit-" + std::to_string(unit)}, {"presence", "proven"}, {"since", to_rfc3339(when)},
                    {"address", "198.51.100." + std::to_string(unit % 250)}, {"hardware_address", "02:00:5e:10:00:01"},
                    {"seen_on", "sw-1/" + std::to_string(unit % 24)}, {"matched_by", "hardware_address"}, {"reason", ""}});
  for (int uplink = 0; uplink < 25; ++uplink)
    headroom.push_back({{"uplink", "switch/sw-" + std::to_string(uplink) + "/uplink/up"}, {"speed_bps", 1e9}, {"ceiling_bps", 7e8},
                        {"designed_bps", 4.1e8}, {"measured_bps", about(4e8)}, {"busiest_bps", about(5e8)}, {"streams", 80}, {"streams_measured", 80},
                        {"method", "the measured window distributions convolved"}, {"unread", nullptr}});
  return {{"kind", "night"}, {"state", "complete"}, {"site", "a made-up site"}, {"design_sha256", std::string(64, '0')},
          {"started", to_rfc3339(when)}, {"ended", to_rfc3339(when + 40min)}, {"accepted", nullptr}, {"planned_s", 2400.0},
          {"plan", "2000 streams, 40 at once"}, {"roll", roll}, {"strangers", json::array()}, {"verdicts", verdicts}, {"findings", json::array()},
          {"headroom", headroom}, {"days_held", json::array()}, {"counts", {{"met", verdicts.size()}, {"tight", 0}, {"missed", 0}, {"unread", 0}}},
          {"exit_code", 0}};
}

}  // namespace tallywire::bench
