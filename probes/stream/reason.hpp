// Why a field is unread. Nearly always it is one of a few constants: then nothing is copied, which counts where streams
// are told of by the ten thousand. A value; any thread.
#pragma once

#include <cstddef>
#include <memory>
#include <string>
#include <string_view>
#include <utility>

namespace tallywire::stream {

class Reason {
 public:
  Reason() = default;
  template <std::size_t size>
  Reason(const char (&literal)[size]) : text_(literal) {}
  Reason(std::string made) : made_(std::make_shared<const std::string>(std::move(made))), text_(*made_) {}
  // `text` is never freed.
  static Reason constant(const char* text) {
    Reason out;
    out.text_ = text;
    return out;
  }

  operator std::string_view() const { return text_; }
  bool empty() const { return text_.empty(); }
  std::size_t find(std::string_view part) const { return text_.find(part); }
  bool operator==(std::string_view other) const { return text_ == other; }

 private:
  std::shared_ptr<const std::string> made_;
  std::string_view text_;  // of a constant, or what `made_` holds
};

}  // namespace tallywire::stream
