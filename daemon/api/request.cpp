#include "daemon/api/routes.hpp"

#include <charconv>

namespace tallywire::api {

std::string percent_decoded(std::string_view text, char plus) {
  std::string out;
  for (std::size_t i = 0; i < text.size(); ++i) {
    unsigned value = 0;
    const char* digits = text.data() + i + 1;
    if (text[i] == '%' && i + 2 < text.size() && std::from_chars(digits, digits + 2, value, 16).ptr == digits + 2) {
      out += static_cast<char>(value);
      i += 2;
    } else {
      out += text[i] == '+' ? plus : text[i];
    }
  }
  return out;
}

std::string Request::parameter(std::string_view name) const {
  std::string_view rest = query;
  while (!rest.empty()) {
    const auto end = rest.find('&');
    const auto pair = rest.substr(0, end);
    rest = end == std::string_view::npos ? std::string_view() : rest.substr(end + 1);
    const auto equals = pair.find('=');
    if (pair.substr(0, equals) == name) return equals == std::string_view::npos ? std::string() : percent_decoded(pair.substr(equals + 1), ' ');
  }
  return {};
}

nlohmann::json Request::json_body() const {
  constexpr int deepest = 32;  // ours have 3
  bool too_deep = false;
  auto out = nlohmann::json::parse(body, [&too_deep](int depth, nlohmann::json::parse_event_t, nlohmann::json&) {
    too_deep = too_deep || depth > deepest;
    return !too_deep;
  }, false);
  return too_deep ? nlohmann::json() : out;
}

}  // namespace tallywire::api
