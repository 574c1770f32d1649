// The service's settings: where it listens, where it keeps its record. All of them may be left out.
#pragma once

#include "config/object_reader.hpp"

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::config {

// An address beyond loopback, only with TLS and a token.
struct OpenDoor {
  std::string address;
  std::uint16_t tcp_port = 7861;
  std::string certificate_file;
  std::string key_file;
  std::string token_secret;
};

// This machine as the far end of others.
struct FarEndService {
  std::string address;
  std::uint16_t tcp_port = 7861;
  std::string key_secret;
  std::map<std::string, std::string> volumes;  // name -> directory that may be measured
  std::uint16_t plain_reflector_port = 0;      // UDP; 0: none. STAMP without an agreement, for these addresses alone
  std::vector<std::string> plain_reflector_for;
};

// Taps that are held open as long as the service runs.
struct HeldTapSettings {
  std::vector<std::string> interfaces;
  int interval_s = 60;  // of a report
};

struct Settings {
  std::vector<std::string> interfaces;
  std::string record_directory = "/var/lib/tallywire";
  std::string socket = "/run/tallywire/tallywired.sock";
  std::uint16_t loopback_tcp_port = 7860;
  std::optional<OpenDoor> open_door;
  std::optional<FarEndService> far_end;
  std::optional<HeldTapSettings> tap;
  int switch_looks_s = 60;  // between two looks at the switches while no round runs; 10 to 3600, 0: only in rounds
  std::string log_level = "info";  // "debug", "info", "warn", "error"
};

struct LoadedSettings {
  Settings settings;
  std::vector<DesignFault> faults;
};

// An empty path gives the defaults.
LoadedSettings load_settings(const std::string& path);
LoadedSettings parse_settings(std::string_view text, const std::string& file_name);

}  // namespace tallywire::config
