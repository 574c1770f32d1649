#include "daemon/sheet/view.hpp"

#include "daemon/sheet/html.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <array>

namespace tallywire::sheet {

using nlohmann::json;

namespace {

constexpr std::array<const char*, 4> by_weight = {"met", "unread", "tight", "missed"};

int weight_of(const std::string& verdict) {
  for (std::size_t i = 0; i < by_weight.size(); ++i)
    if (verdict == by_weight[i]) return static_cast<int>(i);
  return 1;
}

}  // namespace

std::string Notes::refer(const std::string& text) {
  if (text.empty()) return "";
  const auto [at, fresh] = numbers_.try_emplace(text, numbers_.size() + 1);
  if (fresh) texts_.push_back(text);
  return std::to_string(at->second);
}

View::View(const json& sheet) : data(sheet), round(member(sheet, "round")), design(member(sheet, "design")) {
  for (const auto& verdict : list(round, "verdicts")) {
    const auto subject = word(verdict, "subject");
    const int weight = weight_of(word(verdict, "verdict"));
    // Of the subject and of everything that it is part of.
    for (std::size_t end = subject.find('/'); !subject.empty(); end = subject.find('/', end + 1)) {
      auto& held = worst_.try_emplace(subject.substr(0, end), 0).first->second;
      held = std::max(held, weight);
      if (end == std::string::npos) break;
    }
  }
  for (const auto& entry : list(round, "roll")) presence_[word(entry, "camera")] = word(entry, "presence");
}

std::string View::worst(const std::string& subject) const {
  const auto at = worst_.find(subject);
  return at == worst_.end() ? "" : by_weight[static_cast<std::size_t>(at->second)];
}

std::string View::presence(const std::string& camera) const {
  const auto at = presence_.find(camera);
  return at == presence_.end() ? "not told" : at->second;
}

const json& View::camera(const std::string& id) const {
  for (const auto& one : list(design, "cameras"))
    if (word(one, "id") == id) return one;
  return none();
}

}  // namespace tallywire::sheet
