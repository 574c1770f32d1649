// What goes over the wire, as octets: signature, mail, syslog; and how long to wait before the next try. Pure.
#pragma once

#include "config/settings.hpp"
#include "probes/reading.hpp"

#include <nlohmann/json.hpp>

#include <chrono>
#include <string>

namespace tallywire::telling {

// HMAC-SHA256 (RFC 2104) over the time, a line feed and the body; 64 hexadecimal figures.
std::string signature_of(const std::string& key, const std::string& time, const std::string& body);

// RFC 5322 with MIME (RFC 2045): UTF-8 text in base64. `key` makes the Message-ID, so that a mail that comes twice is seen as one.
std::string mail_of(const config::EmailSettings& settings, const std::string& key, const std::string& subject, const std::string& text, SystemTime at);
// A header's words by RFC 2047 where they are not ASCII, folded at 76 columns.
std::string encoded_words(const std::string& text);

// RFC 5424, with the structured element `night@32473` (RFC 5612's number for examples and documentation) and the subject as
// UTF-8 text.
std::string syslog_of(const nlohmann::json& message, const std::string& host, SystemTime at);

// Twice as long after each try, an hour at most, between half and one and a half of that: `chance` in [0, 1).
std::chrono::milliseconds wait_before_next(int tries, double first_s, double chance);

}  // namespace tallywire::telling
