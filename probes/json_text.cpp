#include "probes/json_text.hpp"

#include "probes/reading.hpp"

#include <nlohmann/json.hpp>

#include <rapidjson/prettywriter.h>
#include <rapidjson/stringbuffer.h>

#include <algorithm>
#include <cmath>
#include <cstring>

namespace tallywire {
namespace {

constexpr unsigned indent = 2;

// Printable ASCII that JSON writes as it is.
bool is_plain(std::string_view text) {
  return std::all_of(text.begin(), text.end(), [](char c) { return c >= ' ' && c <= '~' && c != '"' && c != '\\'; });
}

// RapidJSON looks at strings letter by letter and makes room for each; most of ours are plain and go in one piece.
class PlainWriter : public rapidjson::PrettyWriter<rapidjson::StringBuffer> {
 public:
  using PrettyWriter::PrettyWriter;
  void plain(std::string_view text) {
    PrettyPrefix(rapidjson::kStringType);
    char* at = os_->Push(text.size() + 2);
    *at = '"';
    std::memcpy(at + 1, text.data(), text.size());
    at[text.size() + 1] = '"';
  }
};

}  // namespace

struct JsonText::Writer {
  rapidjson::StringBuffer buffer;
  PlainWriter to{buffer};
};

JsonText::JsonText() : writer_(std::make_unique<Writer>()) {
  writer_->to.SetIndent(' ', indent);
  writer_->to.SetFormatOptions(rapidjson::kFormatSingleLineArray);
}

JsonText::~JsonText() = default;

void JsonText::begin_object() { writer_->to.StartObject(); }
void JsonText::end_object() { writer_->to.EndObject(); }
void JsonText::begin_array() { writer_->to.StartArray(); }
void JsonText::end_array() { writer_->to.EndArray(); }
void JsonText::key(std::string_view name) { writer_->to.plain(name); }
void JsonText::null() { writer_->to.Null(); }
void JsonText::value(bool truth) { writer_->to.Bool(truth); }
void JsonText::integer(std::int64_t number) { writer_->to.Int64(number); }
void JsonText::whole(std::uint64_t number) { writer_->to.Uint64(number); }

void JsonText::value(double number) {
  if (std::isfinite(number))
    writer_->to.Double(number);
  else
    null();
}

void JsonText::value(std::string_view text) {
  if (is_plain(text)) return writer_->to.plain(text);
  // Rare, and then written and cleaned by the very code that all other answers are.
  const auto clean = json_line(nlohmann::json(text));
  writer_->to.RawValue(clean.data(), clean.size(), rapidjson::kStringType);
}

std::string_view JsonText::text() const { return {writer_->buffer.GetString(), writer_->buffer.GetSize()}; }

void JsonText::clear() {
  writer_->buffer.Clear();
  writer_->to.Reset(writer_->buffer);
}

}  // namespace tallywire
