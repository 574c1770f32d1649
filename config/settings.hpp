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

// JSON by HTTP, signed.
struct WebhookSettings {
  std::string url;      // http or https
  std::string secret;   // name of a secret {key}
  std::string ca_file;  // empty: the system's authorities
};

// SMTP, always in TLS.
struct EmailSettings {
  std::string host;
  std::uint16_t tcp_port = 587;
  bool implicit_tls = false;  // false: STARTTLS
  std::string from;
  std::vector<std::string> to;
  std::string login_secret;   // name of a secret {user, password}; empty: no login
  std::string ca_file;
};

enum class SyslogTransport { udp, tcp, tls };
struct SyslogSettings {
  std::string socket;  // "/dev/log"; else a collector:
  std::string host;
  std::uint16_t port = 514;
  SyslogTransport transport = SyslogTransport::udp;
  std::string ca_file;
};

// Who is told of the nights, docs/telling.md.
struct TellingSettings {
  std::optional<WebhookSettings> webhook;
  std::optional<EmailSettings> email;
  std::optional<SyslogSettings> syslog;
  bool journal = false;
  double first_retry_s = 30;     // then twice as long each time, an hour at most
  double give_up_after_h = 72;
};
TellingSettings read_telling(ReadingFile& file, const std::string& pointer);

struct Settings {
  std::vector<std::string> interfaces;
  std::string record_directory = "/var/lib/tallywire";
  std::string socket = "/run/tallywire/tallywired.sock";
  std::uint16_t loopback_tcp_port = 7860;
  std::optional<OpenDoor> open_door;
  std::optional<FarEndService> far_end;
  std::optional<HeldTapSettings> tap;
  int switch_looks_s = 60;  // between two looks at the switches while no round runs; 10 to 3600, 0: only in rounds
  std::optional<TellingSettings> telling;
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
