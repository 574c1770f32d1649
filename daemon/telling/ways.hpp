// The ways by which people are told. Each call blocks for at most `longest_try` and ends early when `stop` is set: call it on a
// thread that may wait. A way is used by one thread at a time.
#pragma once

#include "config/secrets.hpp"
#include "config/settings.hpp"
#include "probes/fault.hpp"
#include "probes/reading.hpp"

#include <nlohmann/json.hpp>

#include <atomic>
#include <chrono>
#include <memory>
#include <string>
#include <vector>

namespace tallywire::telling {

inline constexpr std::chrono::seconds longest_try{30};

class Way {
 public:
  virtual ~Way() = default;
  virtual std::string name() const = 0;   // "webhook", "email", "syslog", "journal"
  virtual std::string where() const = 0;  // for people; no secrets
  virtual Outcome<void> tell(const nlohmann::json& message, SystemTime now, const std::atomic<bool>& stop) = 0;
};

// Throws FaultError (bad_request) when a secret is not there. libcurl must have been initialised.
std::vector<std::unique_ptr<Way>> ways_of(const config::TellingSettings& settings, const config::Secrets& secrets);

std::unique_ptr<Way> webhook_way(config::WebhookSettings settings, std::string key);
std::unique_ptr<Way> email_way(config::EmailSettings settings, std::optional<config::LoginSecret> login);
std::unique_ptr<Way> syslog_way(config::SyslogSettings settings);
std::unique_ptr<Way> journal_way();

}  // namespace tallywire::telling
