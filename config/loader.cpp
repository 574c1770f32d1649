#include "config/loader.hpp"

#include "config/text_file.hpp"
#include "config/witness_points.hpp"

#include <openssl/evp.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstring>

namespace tallywire::config {
namespace {

constexpr double most_bps = 400e9;

std::string sha256_of(std::string_view text) {
  std::array<unsigned char, EVP_MAX_MD_SIZE> out{};
  unsigned length = 0;
  EVP_Digest(text.data(), text.size(), out.data(), &length, EVP_sha256(), nullptr);
  std::string hex;
  for (unsigned i = 0; i < length; ++i) {
    hex += "0123456789abcdef"[out[i] >> 4];
    hex += "0123456789abcdef"[out[i] & 15];
  }
  return hex;
}

std::uint64_t to_bps(double value, double unit) { return static_cast<std::uint64_t>(std::llround(value * unit)); }

std::uint16_t port_number(ObjectReader& in, const char* key, std::int64_t fallback) {
  return static_cast<std::uint16_t>(in.whole(key, 1, 65535, fallback));
}

Site read_site(ReadingFile& file, const std::string& pointer) {
  ObjectReader in(file, pointer);
  return {in.word("name"), in.word("place", false), in.word("customer", false)};
}

Limits read_limits(ReadingFile& file, const std::string& pointer) {
  ObjectReader in(file, pointer);
  Limits out;
  const auto ratio = [&in](const char* key, double& value) { value = in.number(key, 0, 1, value); };
  ratio("uplink_ceiling_ratio", out.uplink_ceiling_ratio);
  ratio("uplink_reserve_ratio", out.uplink_reserve_ratio);
  out.busiest_instant_risk_ratio = in.number("busiest_instant_risk_ratio", 1e-12, 0.5, out.busiest_instant_risk_ratio);
  ratio("power_reserve_ratio", out.power_reserve_ratio);
  ratio("bit_rate_over_ratio", out.bit_rate_over_ratio);
  ratio("bit_rate_under_ratio", out.bit_rate_under_ratio);
  ratio("frame_rate_tolerance_ratio", out.frame_rate_tolerance_ratio);
  ratio("loss_limit_ratio", out.loss_limit_ratio);
  out.jitter_limit_ms = in.number("jitter_limit_ms", 0.1, 10'000, out.jitter_limit_ms);
  out.clock_offset_limit_s = in.number("clock_offset_limit_s", 0.01, 86'400, out.clock_offset_limit_s);
  ratio("volume_reserve_ratio", out.volume_reserve_ratio);
  ratio("volume_kept_free_ratio", out.volume_kept_free_ratio);
  ratio("container_overhead_ratio", out.container_overhead_ratio);
  ratio("path_reserve_ratio", out.path_reserve_ratio);
  ratio("tight_ratio", out.tight_ratio);
  out.stream_seconds = in.number("stream_seconds", 1, 3600, out.stream_seconds);
  out.lost_after_s = in.number("lost_after_s", 10, 3600, out.lost_after_s);
  const auto drift = [&in](const char* key, double& value, double high) { value = in.number(key, 0.0001, high, value); };
  drift("drift_bit_rate_ratio", out.drift_bit_rate_ratio, 10);
  drift("drift_frame_rate_ratio", out.drift_frame_rate_ratio, 10);
  drift("drift_gop_ratio", out.drift_gop_ratio, 10);
  drift("drift_loss_ratio", out.drift_loss_ratio, 1);
  drift("drift_headroom_ratio", out.drift_headroom_ratio, 1);
  drift("drift_days_held_ratio", out.drift_days_held_ratio, 10);
  return out;
}

Switch read_switch(ReadingFile& file, const std::string& pointer) {
  ObjectReader in(file, pointer);
  Switch out;
  out.id = in.word("id");
  out.place = in.word("place", false);
  out.address = in.word("address");
  in.object("snmp", [&](const std::string& at) {
    ObjectReader snmp(file, at);
    SnmpAccess access;
    access.version = snmp.choice("version", {"2c", "3"}, 0) == 0 ? "2c" : "3";
    access.secret = snmp.word("secret");
    access.udp_port = port_number(snmp, "udp_port", access.udp_port);
    out.snmp = access;
  });
  out.ports = in.words("ports");
  in.each("uplinks", [&](const std::string& at) {
    ObjectReader uplink(file, at);
    Uplink one;
    one.id = uplink.word("id");
    one.port = uplink.word("port");
    one.to = uplink.word("to");
    one.speed_bps = to_bps(uplink.number("speed_mbps", 0.001, most_bps / 1e6), 1e6);
    out.uplinks.push_back(one);
  }, false);
  out.power_budget_w = in.optional_number("power_budget_w", 0, 100'000);
  return out;
}

Stream read_stream(ReadingFile& file, const std::string& pointer) {
  ObjectReader in(file, pointer);
  Stream out;
  out.id = in.word("id");
  out.use = in.word("use", false);
  constexpr std::array<const char*, 3> codecs = {"H264", "H265", "JPEG"};
  out.codec = codecs[in.choice("codec", {"H264", "H265", "JPEG"})];
  out.width_px = static_cast<int>(in.whole("width_px", 16, 16384));
  out.height_px = static_cast<int>(in.whole("height_px", 16, 16384));
  out.frame_rate_hz = in.number("frame_rate_hz", 0.1, 240);
  out.bit_rate_bps = to_bps(in.number("bit_rate_kbps", 1, 1e6), 1e3);
  out.rate_mode = in.choice("rate_mode", {"constant", "capped"}, 1) == 0 ? RateMode::constant : RateMode::capped;
  if (in.has("gop_frames")) out.gop_frames = static_cast<int>(in.whole("gop_frames", 1, 10'000));
  out.transport = static_cast<Transport>(in.choice("transport", {"auto", "tcp", "udp", "multicast"}, 0));
  out.path = in.optional_word("path");
  return out;
}

void read_heads(ReadingFile& file, ObjectReader& in, Camera& out) {
  in.each("heads", [&](const std::string& at) {
    ObjectReader head(file, at);
    Head one;
    one.id = head.word("id");
    one.view = head.word("view", false);
    one.video_source = head.optional_word("video_source");
    head.each("streams", [&](const std::string& stream) { one.streams.push_back(read_stream(file, stream)); });
    out.heads.push_back(std::move(one));
  }, true, 1);
  in.each("cards", [&](const std::string& at) {
    ObjectReader card(file, at);
    out.cards.push_back({card.number("capacity_gb", 0.1, 1e6) * 1e9, card.word("speed_class")});
  }, false);
  out.card_use = in.choice("card_use", {"together", "copies"}, 0) == 0 ? CardUse::together : CardUse::copies;
  if (in.has("card_streams")) out.card_streams = in.words("card_streams");
  out.card_days_to_hold = in.number("card_days_to_hold", 0, 36'500, 0.0);
}

Camera read_camera(ReadingFile& file, const std::string& pointer) {
  ObjectReader in(file, pointer);
  Camera out;
  out.id = in.word("id");
  out.place = in.word("place", false);
  out.switch_id = in.word("switch");
  out.port = in.word("port");
  out.hardware_address = in.optional_word("hardware_address");
  if (out.hardware_address)
    std::transform(out.hardware_address->begin(), out.hardware_address->end(), out.hardware_address->begin(),
                   [](char c) { return c == '-' ? ':' : static_cast<char>(c >= 'A' && c <= 'F' ? c + 32 : c); });
  out.serial = in.optional_word("serial");
  out.firmware = in.optional_word("firmware");
  out.address = in.word("address");
  out.link_speed_bps = to_bps(in.number("link_speed_mbps", 0.001, most_bps / 1e6), 1e6);
  out.power_source =
      static_cast<PowerSource>(in.choice("power_source", {"switch_port", "injector", "auxiliary"}, 0));
  if (in.has("power_class")) out.power_class = static_cast<int>(in.whole("power_class", 0, 8));
  out.worst_power_w = in.optional_number("worst_power_w", 0, 100);
  out.login_secret = in.optional_word("login_secret");
  out.rtsp_tls = in.truth("rtsp_tls", out.rtsp_tls);
  out.rtsp_port = port_number(in, "rtsp_port", out.rtsp_tls ? 322 : 554);
  out.allow_basic_login = in.truth("allow_basic_login", out.allow_basic_login);
  out.onvif_https = in.truth("onvif_https", out.onvif_https);
  out.onvif_port = port_number(in, "onvif_port", out.onvif_https ? 443 : 80);
  out.bench_limit_s = in.optional_number("bench_limit_s", 1, 1e6);
  out.bench_ambient_min_c = in.optional_number("bench_ambient_min_c", -90, 90);
  out.bench_ambient_max_c = in.optional_number("bench_ambient_max_c", -90, 90);
  read_heads(file, in, out);
  return out;
}

Recorder read_recorder(ReadingFile& file, const std::string& pointer) {
  ObjectReader in(file, pointer);
  Recorder out;
  out.id = in.word("id");
  out.place = in.word("place", false);
  out.address = in.word("address");
  out.switch_id = in.word("switch");
  out.port = in.word("port");
  in.each("volumes", [&](const std::string& at) {
    ObjectReader volume(file, at);
    Volume one;
    one.id = volume.word("id");
    one.path = volume.word("path");
    one.on_far_end = volume.truth("on_far_end", false);
    one.capacity_bytes = volume.number("capacity_gb", 0.001, 1e9) * 1e9;
    one.days_to_hold = volume.number("days_to_hold", 0, 36'500, 0.0);
    one.streams = volume.words("streams");
    out.volumes.push_back(std::move(one));
  });
  return out;
}

WitnessPoint read_witness_point(ReadingFile& file, const std::string& pointer) {
  ObjectReader in(file, pointer);
  WitnessPoint out;
  out.id = in.word("id");
  out.text = in.word("text");
  out.at = static_cast<WitnessedAt>(in.choice("for", {"unit", "head", "switch", "site"}));
  if (!in.has("fed_by")) return out;
  const auto sources = in.words("fed_by");
  for (std::size_t i = 0; i < sources.size(); ++i) {
    const auto source = power_source_of(sources[i]);
    if (source)
      out.fed_by.push_back(*source);
    else
      file.fault(in.at("fed_by") + "/" + std::to_string(i), "“" + sources[i] + "” is no power source", "switch_port, injector or auxiliary");
  }
  return out;
}

Design read_design(ReadingFile& file) {
  Design out;
  ObjectReader in(file, "");
  in.whole("format", 1, 1);
  in.object("site", [&](const std::string& at) { out.site = read_site(file, at); }, true);
  in.object("limits", [&](const std::string& at) { out.limits = read_limits(file, at); });
  in.each("switches", [&](const std::string& at) { out.switches.push_back(read_switch(file, at)); });
  in.each("cameras", [&](const std::string& at) { out.cameras.push_back(read_camera(file, at)); });
  in.each("recorders", [&](const std::string& at) { out.recorders.push_back(read_recorder(file, at)); }, false);
  in.object("far_end", [&](const std::string& at) {
    ObjectReader far_end(file, at);
    FarEndAt one;
    one.address = far_end.word("address");
    one.tcp_port = port_number(far_end, "tcp_port", one.tcp_port);
    one.secret = far_end.word("secret");
    one.switch_id = far_end.word("switch");
    out.far_end = one;
  });
  out.entry_switch = in.optional_word("entry_switch");
  out.nightly_at = in.optional_word("nightly_at");
  if (!in.has("witness_points")) out.witness_points = usual_witness_points();
  in.each("witness_points", [&](const std::string& at) { out.witness_points.push_back(read_witness_point(file, at)); }, false);
  return out;
}

}  // namespace

LoadedDesign parse_design(std::string_view text, const std::string& file_name) {
  const auto read = read_json_text(text);
  ReadingFile file{file_name, read, {}};
  for (const auto& fault : read.faults)
    file.faults.push_back({file_name, fault.at.line, fault.at.column, fault.pointer, shown(fault.what), fault.right});
  LoadedDesign out;
  if (!read.value.is_discarded()) {
    check_texts(file);
    auto design = read_design(file);
    check_rules(design, file);
    design.sha256 = sha256_of(text);
    out.design = std::move(design);
  }
  std::stable_sort(file.faults.begin(), file.faults.end(), [](const DesignFault& a, const DesignFault& b) {
    return std::tie(a.line, a.column) < std::tie(b.line, b.column);
  });
  out.faults = std::move(file.faults);
  if (!out.faults.empty()) out.design.reset();
  return out;
}

LoadedDesign load_design(const std::string& path) {
  auto file = read_text_file(path);
  LoadedDesign out;
  if (!file.fault.empty()) {
    out.faults.push_back({path, 1, 1, "", file.fault, "check the name and the right to read it"});
    return out;
  }
  return parse_design(file.text, path);
}

}  // namespace tallywire::config
