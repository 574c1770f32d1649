#include "config/settings.hpp"

#include "config/addresses.hpp"
#include "config/text_file.hpp"

#include <algorithm>
#include <array>

namespace tallywire::config {
namespace {

constexpr std::size_t most_name_octets = 15;  // IFNAMSIZ of if.h, with its final zero

void need_address(ReadingFile& file, const std::string& pointer, const std::string& address) {
  if (!address.empty() && !is_ip_address(address))
    file.fault(pointer, "“" + address + "” is no IP address", "write it in numbers");
}

OpenDoor read_open_door(ReadingFile& file, const std::string& pointer) {
  ObjectReader in(file, pointer);
  OpenDoor out;
  out.address = in.word("address");
  need_address(file, in.at("address"), out.address);
  out.tcp_port = static_cast<std::uint16_t>(in.whole("tcp_port", 1, 65535));
  // All three, or the door stays shut: nothing is answered beyond this machine in clear or to anyone.
  out.certificate_file = in.word("certificate_file");
  out.key_file = in.word("key_file");
  out.token_secret = in.word("token_secret");
  return out;
}

FarEndService read_far_end(ReadingFile& file, const std::string& pointer) {
  ObjectReader in(file, pointer);
  FarEndService out;
  out.address = in.word("address");
  need_address(file, in.at("address"), out.address);
  out.tcp_port = static_cast<std::uint16_t>(in.whole("tcp_port", 1, 65535, out.tcp_port));
  out.key_secret = in.word("key_secret");
  in.object("volumes", [&](const std::string& at) {
    ObjectReader volumes(file, at);
    for (const auto& name : volumes.names()) out.volumes[name] = volumes.word(name.c_str());
  });
  out.plain_reflector_port = static_cast<std::uint16_t>(in.whole("plain_reflector_port", 0, 65535, 0));
  out.plain_reflector_for = in.words("plain_reflector_for", false);
  for (std::size_t i = 0; i < out.plain_reflector_for.size(); ++i)
    need_address(file, in.at("plain_reflector_for") + "/" + std::to_string(i), out.plain_reflector_for[i]);
  if ((out.plain_reflector_port != 0) == out.plain_reflector_for.empty())
    file.fault(in.at("plain_reflector_for"), "a plain reflector needs its port and the addresses that it answers", "name both, or neither");
  return out;
}

HeldTapSettings read_tap(ReadingFile& file, const std::string& pointer) {
  ObjectReader in(file, pointer);
  HeldTapSettings out;
  const auto faults_before = file.faults.size();
  out.interfaces = in.words("interfaces");
  if (out.interfaces.empty() && file.faults.size() == faults_before)
    file.fault(in.at("interfaces"), "“interfaces” is empty", "name one, or leave out “tap”");
  for (std::size_t i = 0; i < out.interfaces.size(); ++i) {
    const auto& name = out.interfaces[i];
    const auto at = in.at("interfaces") + "/" + std::to_string(i);
    if (name.empty() || name.size() > most_name_octets)
      file.fault(at, "“" + name + "” is no name of an interface", "1 to 15 octets; the names: ip link");
    if (std::find(out.interfaces.begin(), out.interfaces.begin() + static_cast<std::ptrdiff_t>(i), name) != out.interfaces.begin() + static_cast<std::ptrdiff_t>(i))
      file.fault(at, "“" + name + "” stands here twice", "name each interface once");
  }
  out.interval_s = static_cast<int>(in.whole("interval_s", 5, 86'400, out.interval_s));
  return out;
}

int read_switch_looks(ReadingFile& file, ObjectReader& in, int otherwise) {
  constexpr int shortest_s = 10, longest_s = 3600;
  const auto out = static_cast<int>(in.whole("switch_looks_s", 0, longest_s, otherwise));
  if (out > 0 && out < shortest_s)
    file.fault(in.at("switch_looks_s"), std::to_string(out) + " is too often", "10 to 3600, or 0: the switches are looked at in rounds only");
  return out;
}

}  // namespace

LoadedSettings parse_settings(std::string_view text, const std::string& file_name) {
  const auto read = read_json_text(text);
  ReadingFile file{file_name, read, {}};
  for (const auto& fault : read.faults)
    file.faults.push_back({file_name, fault.at.line, fault.at.column, fault.pointer, fault.what, fault.right});
  LoadedSettings out;
  if (!read.value.is_discarded()) {
    ObjectReader in(file, "");
    auto& s = out.settings;
    s.interfaces = in.words("interfaces", false);
    s.record_directory = in.optional_word("record_directory").value_or(s.record_directory);
    s.socket = in.optional_word("socket").value_or(s.socket);
    s.loopback_tcp_port = static_cast<std::uint16_t>(in.whole("loopback_tcp_port", 0, 65535, s.loopback_tcp_port));
    in.object("open_door", [&](const std::string& at) { s.open_door = read_open_door(file, at); });
    in.object("far_end", [&](const std::string& at) { s.far_end = read_far_end(file, at); });
    in.object("tap", [&](const std::string& at) { s.tap = read_tap(file, at); });
    in.object("telling", [&](const std::string& at) { s.telling = read_telling(file, at); });
    s.switch_looks_s = read_switch_looks(file, in, s.switch_looks_s);
    constexpr std::array<const char*, 4> levels = {"debug", "info", "warn", "error"};
    s.log_level = levels[in.choice("log_level", {"debug", "info", "warn", "error"}, 1)];
  }
  out.faults = std::move(file.faults);
  return out;
}

LoadedSettings load_settings(const std::string& path) {
  if (path.empty()) return {};
  const auto file = read_text_file(path);
  if (file.fault.empty()) return parse_settings(file.text, path);
  LoadedSettings out;
  out.faults.push_back({path, 1, 1, "", file.fault, "check the name and the right to read it"});
  return out;
}

}  // namespace tallywire::config
