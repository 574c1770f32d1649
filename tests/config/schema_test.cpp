// The JSON Schema is for editors and for those who make designs by program; the loader has its own eyes. The two
// must agree: here an independent validator holds the schema against the samples and against what the loader refuses.
#include "config/loader.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>
#include <valijson/adapters/nlohmann_json_adapter.hpp>
#include <valijson/schema.hpp>
#include <valijson/schema_parser.hpp>
#include <valijson/validator.hpp>

#include <filesystem>
#include <fstream>
#include <set>

using nlohmann::json;

namespace {

const std::string config_directory = std::string(TALLYWIRE_SOURCE_DIR) + "/config/";

json read(const std::string& path) {
  std::ifstream in(path);
  return json::parse(in);
}

bool fits(const json& design) {
  static const json text = read(config_directory + "design.schema.json");
  valijson::Schema schema;
  valijson::SchemaParser parser;
  parser.populateSchema(valijson::adapters::NlohmannJsonAdapter(text), schema);
  valijson::Validator validator;
  return validator.validate(schema, valijson::adapters::NlohmannJsonAdapter(design), nullptr);
}

void keys_of(const json& value, const std::string& path, std::set<std::string>& out) {
  if (value.is_object())
    for (const auto& [key, inner] : value.items()) {
      out.insert(path + "/" + key);
      keys_of(inner, path + "/" + key, out);
    }
  if (value.is_array())
    for (const auto& inner : value) keys_of(inner, path, out);
}

void keys_of_schema(const json& schema, const std::string& path, std::set<std::string>& out) {
  if (schema.contains("items")) keys_of_schema(schema.at("items"), path, out);
  if (!schema.contains("properties")) return;
  for (const auto& [key, inner] : schema.at("properties").items()) {
    out.insert(path + "/" + key);
    keys_of_schema(inner, path + "/" + key, out);
  }
}

}  // namespace

TEST_CASE("every sample fits the schema, and together they use every key of it") {
  std::set<std::string> used, known;
  for (const auto& entry : std::filesystem::directory_iterator(config_directory + "sites")) {
    const auto design = read(entry.path().string());
    CAPTURE(entry.path().string());
    CHECK(fits(design));
    keys_of(design, "", used);
  }
  keys_of_schema(read(config_directory + "design.schema.json"), "", known);
  CHECK(used == known);
}

TEST_CASE("what the schema refuses, the loader refuses too") {
  const auto good = read(config_directory + "sites/every-key.json");
  const auto refused_by_both = [&](const char* pointer, const json& value) {
    auto bad = good;
    bad[json::json_pointer(pointer)] = value;
    CAPTURE(pointer);
    CHECK_FALSE(fits(bad));
    CHECK_FALSE(tallywire::config::parse_design(bad.dump(), "bad.json").design);
  };
  refused_by_both("/format", 2);
  refused_by_both("/unknown", 1);
  refused_by_both("/cameras/0/power_class", 9);
  refused_by_both("/cameras/0/id", "has a blank");
  refused_by_both("/cameras/0/firmware", "");
  refused_by_both("/cameras/0/firmware", 7.2);
  refused_by_both("/cameras/0/heads/0/streams/0/codec", "H266");
  refused_by_both("/cameras/0/heads/0/streams/0/width_px", "wide");
  refused_by_both("/cameras/0/heads", json::array());
  refused_by_both("/limits/tight_ratio", 2);
  refused_by_both("/recorders/0/volumes/0/capacity_gb", -1);
  refused_by_both("/far_end/tcp_port", 0);
  refused_by_both("/nightly_at", "noon");
}
