// JSON written as it is told, without a tree of it before: for answers of ten thousand streams. The text goes on many
// lines, a field a line and an array on one. Whoever writes sees to it that an object names each field once. No I/O; one
// thread at a time.
#pragma once

#include <concepts>
#include <cstdint>
#include <memory>
#include <optional>
#include <ranges>
#include <string>
#include <string_view>

namespace tallywire {

class JsonText {
 public:
  JsonText();
  ~JsonText();
  JsonText(const JsonText&) = delete;
  JsonText& operator=(const JsonText&) = delete;

  void begin_object();
  void end_object();
  void begin_array();
  void end_array();
  // A field's name is our own: printable ASCII without quotes. Its value comes next.
  void key(std::string_view name);

  void null();
  void value(bool truth);
  void value(double number);  // null when it is not finite; else the fewest digits that tell it from any other
  // Octets that are no UTF-8 are written as U+FFFD, as json_line() does.
  void value(std::string_view text);
  void value(const std::string& text) { value(std::string_view(text)); }
  void value(const char* text) { value(std::string_view(text)); }
  void value(std::signed_integral auto number) { integer(std::int64_t{number}); }
  void value(std::unsigned_integral auto number) { whole(std::uint64_t{number}); }
  template <class T>
  void value(const std::optional<T>& known) {
    known ? value(*known) : null();
  }
  void values(const std::ranges::range auto& list) {
    begin_array();
    for (const auto& each : list) value(each);
    end_array();
  }
  void field(std::string_view name, const auto& told) {
    key(name);
    value(told);
  }
  // One for each entry of a map from names.
  void fields(const std::ranges::range auto& map) {
    for (const auto& [name, told] : map) field(name, told);
  }

  // What has been written, until the next change.
  std::string_view text() const;
  // For the next text; keeps its memory.
  void clear();

 private:
  void integer(std::int64_t number);
  void whole(std::uint64_t number);

  struct Writer;
  std::unique_ptr<Writer> writer_;
};

}  // namespace tallywire
