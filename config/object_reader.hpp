// Reads the members of one JSON object by name and type, gathers every fault with its position, and in
// the end names each key that nobody asked for, with the nearest known one.
#pragma once

#include "config/json_text.hpp"

#include <cstdint>
#include <functional>
#include <initializer_list>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace tallywire::config {

struct DesignFault {
  std::string file;
  int line = 1;
  int column = 1;
  std::string pointer;
  std::string what;
  std::string right;  // what would be right

  std::string sentence() const;  // "file:line:column: what; right (pointer)"
};

// What all readers of one file share.
struct ReadingFile {
  std::string name;
  const JsonText& text;
  std::vector<DesignFault> faults;

  // At a value, or at its key where that says more.
  void fault(const std::string& pointer, std::string what, std::string right, bool at_key = false);
};

constexpr std::size_t most_text_octets = 300;

// What is wrong with a text that people are to read on a line of a page, a log or a sheet, as the end of "the text …": it is
// too long, or holds a character that is not seen or that turns the reading order (UAX 9). Empty when nothing is. UTF-8.
std::string text_fault(std::string_view text);
extern const char* const text_right;
// An id stands in subjects and paths: letters, digits, - and _ only.
bool is_id(std::string_view id);

// The text with U+FFFD for each such character: what a fault quotes comes to a terminal.
std::string shown(std::string_view text);
// A fault for each text of the file that `text_fault` finds something at.
void check_texts(ReadingFile& file);

class ObjectReader {
 public:
  ObjectReader(ReadingFile& file, std::string pointer);
  ~ObjectReader();  // tells unknown keys
  ObjectReader(const ObjectReader&) = delete;
  ObjectReader& operator=(const ObjectReader&) = delete;

  std::string word(const char* key, bool required = true);
  std::optional<std::string> optional_word(const char* key);
  // Held to [low, high]; `fallback` when it is not there.
  double number(const char* key, double low, double high, std::optional<double> fallback = {});
  std::optional<double> optional_number(const char* key, double low, double high);
  std::int64_t whole(const char* key, std::int64_t low, std::int64_t high, std::optional<std::int64_t> fallback = {});
  bool truth(const char* key, bool fallback);
  // One of the words; the index of it, or `fallback` (the first when there is none).
  std::size_t choice(const char* key, std::initializer_list<const char*> words,
                     std::optional<std::size_t> fallback = {});
  std::vector<std::string> words(const char* key, bool required = true);
  // Calls with the pointer of each object of an array.
  void each(const char* key, const std::function<void(const std::string& pointer)>& take, bool required = true,
            std::size_t at_least = 0);
  // Calls with the pointer of an object, when it is there.
  void object(const char* key, const std::function<void(const std::string& pointer)>& take, bool required = false);
  // Every member, in order, whatever its name: maps.
  std::vector<std::string> names();

  std::string at(const char* key) const { return pointer_ + "/" + pointer_part(key); }
  const std::string& pointer() const { return pointer_; }
  bool has(const char* key);

 private:
  const nlohmann::json* find(const char* key, bool required);
  void wrong_type(const char* key, const char* wanted);

  ReadingFile& file_;
  std::string pointer_;
  const nlohmann::json* object_ = nullptr;
  std::vector<std::string> known_;
};

}  // namespace tallywire::config
