#include "probes/json_text.hpp"

#include "probes/reading.hpp"

#include <nlohmann/json.hpp>

#ifdef __SSE2__
#define RAPIDJSON_SSE2  // strings are looked through 16 octets at a time
#endif
#include <rapidjson/prettywriter.h>
#include <rapidjson/stringbuffer.h>

#include <cmath>

namespace tallywire {
namespace {

constexpr unsigned indent = 2;

auto length_of(std::string_view text) { return static_cast<rapidjson::SizeType>(text.size()); }

bool is_ascii(std::string_view text) {
  unsigned char all = 0;
  for (const char c : text) all |= static_cast<unsigned char>(c);
  return all < 0x80;
}

}  // namespace

struct JsonText::Writer {
  rapidjson::StringBuffer buffer;
  rapidjson::PrettyWriter<rapidjson::StringBuffer> to{buffer};
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
void JsonText::key(std::string_view name) { writer_->to.Key(name.data(), length_of(name)); }
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
  if (is_ascii(text)) {
    writer_->to.String(text.data(), length_of(text));
    return;
  }
  // Rare, and then cleaned by the very code that all other answers are.
  const auto clean = json_line(nlohmann::json(text));
  writer_->to.RawValue(clean.data(), clean.size(), rapidjson::kStringType);
}

std::string_view JsonText::text() const { return {writer_->buffer.GetString(), writer_->buffer.GetSize()}; }

void JsonText::clear() {
  writer_->buffer.Clear();
  writer_->to.Reset(writer_->buffer);
}

}  // namespace tallywire
