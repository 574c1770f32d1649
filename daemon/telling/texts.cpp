#include "daemon/telling/texts.hpp"

#include <openssl/evp.h>
#include <openssl/hmac.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <ctime>

namespace tallywire::telling {
namespace {

std::string base64(std::string_view octets) {
  std::string out(4 * ((octets.size() + 2) / 3) + 1, '\0');
  const int n = EVP_EncodeBlock(reinterpret_cast<unsigned char*>(out.data()), reinterpret_cast<const unsigned char*>(octets.data()), static_cast<int>(octets.size()));
  out.resize(static_cast<std::size_t>(n));
  return out;
}

bool is_plain(const std::string& text) {
  return std::all_of(text.begin(), text.end(), [](unsigned char c) { return c >= 0x20 && c < 0x7f; }) && text.find("=?") == std::string::npos && text.size() <= 60;
}

std::string mail_date(SystemTime at) {
  static const char* const days[] = {"Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"};
  static const char* const months[] = {"Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"};
  const std::time_t when = std::chrono::duration_cast<std::chrono::seconds>(at.time_since_epoch()).count();
  std::tm utc{};
  ::gmtime_r(&when, &utc);
  char text[64];
  std::snprintf(text, sizeof text, "%s, %02d %s %04d %02d:%02d:%02d +0000", days[utc.tm_wday], utc.tm_mday, months[utc.tm_mon], utc.tm_year + 1900, utc.tm_hour,
                utc.tm_min, utc.tm_sec);
  return text;
}

// RFC 5424 §6.3.3: these three are escaped, and what is no text is left out.
std::string parameter_value(const std::string& text) {
  std::string out;
  for (const char c : text) {
    if (c == '"' || c == '\\' || c == ']') out += '\\';
    if (static_cast<unsigned char>(c) >= 0x20) out += c;
  }
  return out;
}

// RFC 5424 §6: PRINTUSASCII, no blank; "-" for nothing.
std::string header_word(const std::string& text, std::size_t most) {
  std::string out;
  for (const unsigned char c : text)
    if (c > 0x20 && c < 0x7f && out.size() < most) out += static_cast<char>(c);
  return out.empty() ? "-" : out;
}

}  // namespace

std::string signature_of(const std::string& key, const std::string& time, const std::string& body) {
  const std::string signed_text = time + "\n" + body;
  std::array<unsigned char, EVP_MAX_MD_SIZE> mac{};
  unsigned length = 0;
  HMAC(EVP_sha256(), key.data(), static_cast<int>(key.size()), reinterpret_cast<const unsigned char*>(signed_text.data()), signed_text.size(), mac.data(), &length);
  std::string out;
  for (unsigned i = 0; i < length; ++i) {
    out += "0123456789abcdef"[mac[i] >> 4];
    out += "0123456789abcdef"[mac[i] & 15];
  }
  return out;
}

// RFC 2047 §2: an encoded word has at most 75 characters, and §5 (3): it holds whole characters only.
std::string encoded_words(const std::string& text) {
  if (is_plain(text)) return text;
  constexpr std::size_t most_octets = 42;
  std::string out;
  std::size_t begin = 0;
  while (begin < text.size()) {
    auto end = std::min(begin + most_octets, text.size());
    while (end < text.size() && end > begin + 1 && (static_cast<unsigned char>(text[end]) & 0xc0) == 0x80) --end;
    out += (out.empty() ? "" : "\r\n ") + std::string("=?UTF-8?B?") + base64(std::string_view(text).substr(begin, end - begin)) + "?=";
    begin = end;
  }
  return out;
}

std::string mail_of(const config::EmailSettings& settings, const std::string& key, const std::string& subject, const std::string& text, SystemTime at) {
  const auto host = settings.from.substr(settings.from.find('@') + 1);
  std::string out = "Date: " + mail_date(at) + "\r\nFrom: <" + settings.from + ">\r\nTo: ";
  for (std::size_t i = 0; i < settings.to.size(); ++i) out += (i ? ",\r\n <" : "<") + settings.to[i] + ">";
  // RFC 3834 §5: made by a machine, nobody's vacation note need answer it.
  out += "\r\nSubject: " + encoded_words(subject) + "\r\nMessage-ID: <" + key + "@" + host +
         ">\r\nAuto-Submitted: auto-generated\r\nMIME-Version: 1.0\r\nContent-Type: text/plain; charset=utf-8\r\nContent-Transfer-Encoding: base64\r\n\r\n";
  const auto body = base64(text);
  for (std::size_t i = 0; i < body.size(); i += 76) out += body.substr(i, 76) + "\r\n";
  return out;
}

std::string syslog_of(const nlohmann::json& message, const std::string& host, SystemTime at) {
  // RFC 5424 §6.2.1: facility 3 (system daemons) * 8 + severity.
  constexpr int daemon_facility = 3, warning = 4, notice = 5, informational = 6;
  const bool ran = message.at("state") == "complete";
  const bool changed = !message.at("begun").empty() || !message.at("again").empty() || !message.at("ended").empty();
  const int severity = !ran ? warning : changed ? notice : informational;
  std::string out = "<" + std::to_string(daemon_facility * 8 + severity) + ">1 " + to_rfc3339(at) + " " + header_word(host, 255) + " tallywired - NIGHT [night@32473";
  const auto add = [&out](const char* name, const std::string& value) { out += std::string(" ") + name + "=\"" + parameter_value(value) + "\""; };
  add("key", message.at("key"));
  add("site", message.at("site"));
  add("night", message.at("night"));
  add("sequence", message.at("sequence").dump());
  add("state", message.at("state"));
  add("new", std::to_string(message.at("begun").size() + message.at("again").size()));
  add("ended", std::to_string(message.at("ended").size()));
  add("open", message.at("open").dump());
  // One line: a site's name must not begin another one in a log that ends messages by line feeds.
  auto subject = message.at("subject").get<std::string>();
  for (auto& c : subject)
    if (static_cast<unsigned char>(c) < 0x20 || c == 0x7f) c = ' ';
  return out + "] \xef\xbb\xbf" + subject;
}

std::chrono::milliseconds wait_before_next(int tries, double first_s, double chance) {
  constexpr double longest_s = 3600;
  const double doubled = first_s * std::pow(2.0, std::clamp(tries - 1, 0, 20));
  return std::chrono::milliseconds(std::llround(std::min(doubled, longest_s) * (0.5 + chance) * 1000));
}

}  // namespace tallywire::telling
