// The last reading of each subject and quantity, for rules that look at several of them together.
#pragma once

#include "probes/reading.hpp"

#include <map>
#include <optional>
#include <string>
#include <utility>
#include <vector>

namespace tallywire::verdict {

// Points into the readings that it was made of: they must outlive it, unchanged.
class LastReadings {
 public:
  explicit LastReadings(const std::vector<Reading>& readings) {
    for (const auto& r : readings) last_[{r.subject, r.quantity}] = &r;
  }
  // Null where nothing was said; an unread one is said.
  const Reading* find(const std::string& subject, const std::string& quantity) const {
    const auto at = last_.find({subject, quantity});
    return at == last_.end() ? nullptr : at->second;
  }
  // Null where nothing was read.
  const Reading* read(const std::string& subject, const std::string& quantity) const {
    const auto* r = find(subject, quantity);
    return r && r->is_read() ? r : nullptr;
  }
  std::optional<double> number(const std::string& subject, const std::string& quantity) const {
    const auto* r = find(subject, quantity);
    return r ? r->number() : std::nullopt;
  }
  std::optional<std::string> word(const std::string& subject, const std::string& quantity) const {
    const auto* r = find(subject, quantity);
    return r ? r->word() : std::nullopt;
  }

 private:
  std::map<std::pair<std::string, std::string>, const Reading*> last_;
};

}  // namespace tallywire::verdict
