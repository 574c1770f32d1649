#include "config/object_reader.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <numeric>

namespace tallywire::config {
namespace {

// Levenshtein's distance: how many letters to change.
std::size_t distance(const std::string& a, const std::string& b) {
  std::vector<std::size_t> row(b.size() + 1);
  std::iota(row.begin(), row.end(), std::size_t{0});
  for (std::size_t i = 0; i < a.size(); ++i) {
    std::size_t diagonal = row[0]++;
    for (std::size_t j = 0; j < b.size(); ++j) {
      const auto kept = diagonal + (a[i] != b[j]);
      diagonal = row[j + 1];
      row[j + 1] = std::min({kept, row[j] + 1, diagonal + 1});
    }
  }
  return row.back();
}

std::string plain(double value) {
  char text[40];
  std::snprintf(text, sizeof text, "%.12g", value);
  return text;
}

}  // namespace

std::string DesignFault::sentence() const {
  std::string out = file + ":" + std::to_string(line) + ":" + std::to_string(column) + ": " + what;
  if (!right.empty()) out += "; " + right;
  return out + " (" + (pointer.empty() ? "the whole file" : shown(pointer)) + ")";
}

void ReadingFile::fault(const std::string& pointer, std::string what, std::string right, bool at_key) {
  const auto& places = at_key ? text.keys : text.values;
  auto at = places.find(pointer);
  std::string up = pointer;
  // A member that is missing is shown at the object it should stand in.
  while (at == places.end() && !up.empty()) {
    up.erase(up.rfind('/'));
    at = text.values.find(up);
    if (at != text.values.end()) break;
    at = places.end();
  }
  const Position position = at == places.end() ? Position{} : at->second;
  faults.push_back({name, position.line, position.column, pointer, shown(what), shown(right)});
}

ObjectReader::ObjectReader(ReadingFile& file, std::string pointer) : file_(file), pointer_(std::move(pointer)) {
  const nlohmann::json::json_pointer at(pointer_);
  const auto& value = file_.text.value;
  if (!value.contains(at) && !pointer_.empty()) return;
  const auto& found = pointer_.empty() ? value : value.at(at);
  if (found.is_object())
    object_ = &found;
  else
    file_.fault(pointer_, "an object is expected here", "write { … }");
}

ObjectReader::~ObjectReader() {
  if (!object_) return;
  for (const auto& [key, value] : object_->items()) {
    if (std::find(known_.begin(), known_.end(), key) != known_.end()) continue;
    std::string nearest;
    for (const auto& name : known_)
      if (nearest.empty() || distance(name, key) < distance(nearest, key)) nearest = name;
    file_.fault(at(key.c_str()), "the key “" + key + "” is not known here",
                nearest.empty() ? "take it out" : "the nearest known key is “" + nearest + "”", true);
  }
}

const nlohmann::json* ObjectReader::find(const char* key, bool required) {
  known_.emplace_back(key);
  if (!object_) return nullptr;
  const auto found = object_->find(key);
  if (found != object_->end()) return &*found;
  if (required) file_.fault(at(key), "the key “" + std::string(key) + "” is missing", "add it");
  return nullptr;
}

void ObjectReader::wrong_type(const char* key, const char* wanted) {
  file_.fault(at(key), "“" + std::string(key) + "” must be " + wanted, "");
}

bool ObjectReader::has(const char* key) {
  known_.emplace_back(key);
  return object_ && object_->contains(key);
}

std::optional<std::string> ObjectReader::optional_word(const char* key) {
  const auto* value = find(key, false);
  if (!value) return std::nullopt;
  if (value->is_string() && !value->get_ref<const std::string&>().empty()) return value->get<std::string>();
  wrong_type(key, "a text that is not empty");
  return std::nullopt;
}

std::string ObjectReader::word(const char* key, bool required) {
  const auto* value = find(key, required);
  if (!value) return {};
  if (value->is_string() && (!required || !value->get_ref<const std::string&>().empty()))
    return value->get<std::string>();
  wrong_type(key, required ? "a text that is not empty" : "a text");
  return {};
}

std::optional<double> ObjectReader::optional_number(const char* key, double low, double high) {
  const auto* value = find(key, false);
  if (!value) return std::nullopt;
  if (!value->is_number()) {
    wrong_type(key, "a number");
    return std::nullopt;
  }
  const double number = value->get<double>();
  if (number >= low && number <= high) return number;
  file_.fault(at(key), "“" + std::string(key) + "” is " + plain(number),
              "it must lie from " + plain(low) + " to " + plain(high));
  return std::nullopt;
}

double ObjectReader::number(const char* key, double low, double high, std::optional<double> fallback) {
  if (!fallback && object_ && !object_->contains(key)) {
    find(key, true);
    return low;
  }
  return optional_number(key, low, high).value_or(fallback.value_or(low));
}

std::int64_t ObjectReader::whole(const char* key, std::int64_t low, std::int64_t high,
                                 std::optional<std::int64_t> fallback) {
  const auto* value = find(key, !fallback.has_value());
  if (!value) return fallback.value_or(low);
  if (!value->is_number_integer()) {
    wrong_type(key, "a whole number");
    return fallback.value_or(low);
  }
  const auto number = value->get<std::int64_t>();
  if (number >= low && number <= high) return number;
  file_.fault(at(key), "“" + std::string(key) + "” is " + std::to_string(number),
              "it must lie from " + std::to_string(low) + " to " + std::to_string(high));
  return fallback.value_or(low);
}

bool ObjectReader::truth(const char* key, bool fallback) {
  const auto* value = find(key, false);
  if (!value) return fallback;
  if (value->is_boolean()) return value->get<bool>();
  wrong_type(key, "true or false");
  return fallback;
}

std::size_t ObjectReader::choice(const char* key, std::initializer_list<const char*> words,
                                 std::optional<std::size_t> fallback) {
  const auto* value = find(key, !fallback.has_value());
  if (!value) return fallback.value_or(0);
  std::string all;
  std::size_t index = 0;
  for (const char* word : words) {
    if (value->is_string() && value->get_ref<const std::string&>() == word) return index;
    all += (index++ ? ", " : "") + std::string(word);
  }
  file_.fault(at(key), "“" + std::string(key) + "” is " + value->dump(), "it must be one of " + all);
  return fallback.value_or(0);
}

std::vector<std::string> ObjectReader::words(const char* key, bool required) {
  std::vector<std::string> out;
  const auto* value = find(key, required);
  if (!value) return out;
  if (!value->is_array()) {
    wrong_type(key, "a list of texts");
    return out;
  }
  for (std::size_t i = 0; i < value->size(); ++i) {
    const auto& one = (*value)[i];
    if (one.is_string())
      out.push_back(one.get<std::string>());
    else
      file_.fault(at(key) + "/" + std::to_string(i), "a text is expected here", "");
  }
  return out;
}

void ObjectReader::each(const char* key, const std::function<void(const std::string&)>& take, bool required,
                        std::size_t at_least) {
  const auto* value = find(key, required);
  if (!value) return;
  if (!value->is_array()) return wrong_type(key, "a list");
  if (value->size() < at_least)
    file_.fault(at(key), "“" + std::string(key) + "” is empty", "at least " + std::to_string(at_least));
  for (std::size_t i = 0; i < value->size(); ++i) take(at(key) + "/" + std::to_string(i));
}

void ObjectReader::object(const char* key, const std::function<void(const std::string&)>& take, bool required) {
  if (find(key, required)) take(at(key));
}

std::vector<std::string> ObjectReader::names() {
  std::vector<std::string> out;
  if (object_)
    for (const auto& [key, value] : object_->items()) {
      out.push_back(key);
      known_.push_back(key);
    }
  return out;
}

}  // namespace tallywire::config
