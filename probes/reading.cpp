#include "probes/reading.hpp"

#include <nlohmann/json.hpp>

#include <cstdio>
#include <ctime>
#include <stdexcept>

namespace tallywire {

std::optional<double> Reading::number() const {
  if (const auto* v = std::get_if<double>(&value)) return *v;
  return std::nullopt;
}

std::optional<std::string> Reading::word() const {
  if (const auto* v = std::get_if<std::string>(&value)) return *v;
  return std::nullopt;
}

Reading read_number(std::string subject, std::string quantity, double value, std::string method,
                    SystemTime when, std::chrono::nanoseconds over, double uncertainty) {
  return {std::move(subject), std::move(quantity), value, uncertainty, when, over,
          std::move(method), {}};
}

Reading read_word(std::string subject, std::string quantity, std::string value, std::string method,
                  SystemTime when) {
  return {std::move(subject), std::move(quantity), std::move(value), 0, when, {},
          std::move(method), {}};
}

Reading unread(std::string subject, std::string quantity, std::string reason, SystemTime when) {
  if (reason.empty()) throw std::invalid_argument("an unread reading needs its reason");
  return {std::move(subject), std::move(quantity), {}, 0, when, {}, {}, std::move(reason)};
}

void to_json(nlohmann::json& out, const Reading& r) {
  out = nlohmann::json{{"subject", r.subject},
                       {"quantity", r.quantity},
                       {"value", nullptr},
                       {"uncertainty", r.uncertainty},
                       {"when", to_rfc3339(r.when)},
                       {"over_s", std::chrono::duration<double>(r.over).count()},
                       {"method", r.method},
                       {"unread", nullptr}};
  if (const auto n = r.number()) out["value"] = *n;
  if (const auto w = r.word()) out["value"] = *w;
  if (!r.is_read()) out["unread"] = r.unread;
}

void from_json(const nlohmann::json& in, Reading& r) {
  r = {};
  r.subject = in.at("subject");
  r.quantity = in.at("quantity");
  const auto& value = in.at("value");
  if (value.is_number()) r.value = value.get<double>();
  if (value.is_string()) r.value = value.get<std::string>();
  r.uncertainty = in.value("uncertainty", 0.0);
  r.when = from_rfc3339(in.at("when"));
  r.over = std::chrono::nanoseconds(static_cast<std::int64_t>(in.value("over_s", 0.0) * 1e9));
  r.method = in.value("method", std::string());
  if (value.is_null()) r.unread = in.at("unread");
}

std::string json_line(const nlohmann::json& value) {
  return value.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
}

std::string to_rfc3339(SystemTime when) {
  const auto since = when.time_since_epoch();
  const auto seconds = std::chrono::floor<std::chrono::seconds>(since);
  const auto millis =
      std::chrono::duration_cast<std::chrono::milliseconds>(since - seconds).count();
  const std::time_t t = static_cast<std::time_t>(seconds.count());
  std::tm parts{};
  gmtime_r(&t, &parts);
  char text[64];
  std::snprintf(text, sizeof text, "%04d-%02d-%02dT%02d:%02d:%02d.%03dZ", parts.tm_year + 1900,
                parts.tm_mon + 1, parts.tm_mday, parts.tm_hour, parts.tm_min, parts.tm_sec,
                static_cast<int>(millis));
  return text;
}

SystemTime from_rfc3339(const std::string& text) {
  std::tm parts{};
  int consumed = 0;
  if (std::sscanf(text.c_str(), "%4d-%2d-%2dT%2d:%2d:%2d%n", &parts.tm_year, &parts.tm_mon,
                  &parts.tm_mday, &parts.tm_hour, &parts.tm_min, &parts.tm_sec, &consumed) != 6)
    throw std::invalid_argument("not a time in RFC 3339 form: " + text);
  parts.tm_year -= 1900;
  parts.tm_mon -= 1;
  std::string rest = text.substr(static_cast<std::size_t>(consumed));
  std::int64_t fraction_ns = 0;
  if (!rest.empty() && rest.front() == '.') {
    std::int64_t unit = 100'000'000;
    std::size_t at = 1;
    for (; at < rest.size() && rest[at] >= '0' && rest[at] <= '9'; ++at, unit /= 10)
      fraction_ns += (rest[at] - '0') * unit;
    rest.erase(0, at);
  }
  if (rest != "Z") throw std::invalid_argument("not a UTC time in RFC 3339 form: " + text);
  return SystemTime(std::chrono::seconds(timegm(&parts)) + std::chrono::nanoseconds(fraction_ns));
}

SystemTime now_utc() {
  return std::chrono::time_point_cast<std::chrono::nanoseconds>(std::chrono::system_clock::now());
}

}  // namespace tallywire
