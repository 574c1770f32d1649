#include "daemon/sheet/sheet.hpp"

#include "daemon/sheet/html.hpp"
#include "daemon/sheet/style.hpp"
#include "daemon/sheet/view.hpp"

#include <openssl/evp.h>

#include <array>

namespace tallywire::sheet {

using nlohmann::json;

namespace {

constexpr std::string_view data_begins = "<script type=\"application/json\" id=\"tallywire-sheet\">";
constexpr std::string_view data_ends = "</script>";
constexpr std::string_view sum_begins = "<code id=\"sheet-sum\">";
constexpr int deepest = 64;  // levels; ours has 8

json keep(const json& from, std::initializer_list<const char*> keys) {
  json out = json::object();
  for (const char* key : keys)
    if (const auto& value = member(from, key); !value.is_null()) out[key] = value;
  return out;
}

json keep_each(const json& from, const char* key, std::initializer_list<const char*> keys) {
  json out = json::array();
  for (const auto& one : list(from, key)) out.push_back(keep(one, keys));
  return out;
}

std::string sum_part(const View& view, const std::string& sum) {
  return "<section class=\"sum\"><p>Sum of this sheet’s data (SHA-256): <code id=\"sheet-sum\">" + sum + "</code></p>\n"
         "<p>Sum of the round in the record (SHA-256): <code>" + escaped(word(view.data, "round_sha256")) + "</code></p>\n"
         "<p class=\"aside\">What the sums prove: the data in the file is what it was when the sums were made, and `tallywire sheet --check FILE` finds any "
             "octet of page or data that was "
         "changed since. What they do not prove: who made the sheet. A sum is no signature: whoever changes the data can reckon a new sum. So hold the sum "
             "against one that was written down "
         "or signed on paper at the hand-over, or against the record of the service that measured.</p></section>\n";
}

Outcome<std::string_view> between(std::string_view file, std::string_view begins, std::string_view ends) {
  const auto from = file.find(begins);
  const auto to = from == std::string_view::npos ? from : file.find(ends, from + begins.size());
  if (to == std::string_view::npos)
    return Fault{FaultKind::bad_request, "the file is no sheet of Tallywire: its data is not in it", "",
        "give the HTML file that `tallywire sheet --out` wrote"};
  return file.substr(from + begins.size(), to - from - begins.size());
}

// Where two texts part, as a line and the words there.
std::string first_difference(std::string_view file, std::string_view made) {
  std::size_t i = 0, line = 1;
  while (i < file.size() && i < made.size() && file[i] == made[i]) line += file[i++] == '\n';
  return "line " + std::to_string(line) + ", octet " + std::to_string(i + 1);
}

}  // namespace

json round_part(const json& document) {
  return keep(document, {"round", "kind", "state", "site", "design_sha256", "started", "ended", "planned_s", "plan", "roll", "strangers", "verdicts",
      "findings", "headroom", "days_held",
                         "counts", "exit_code"});
}

std::string round_sum(const json& document) { return sha256_of(canonical(round_part(document))); }

json design_part(const json& design) {
  json out = {{"site", keep(member(design, "site"), {"name", "place", "customer"})}, {"switches", json::array()}, {"cameras", json::array()}};
  for (const auto& sw : list(design, "switches")) {
    json one = keep(sw, {"id", "place", "ports"});
    one["uplinks"] = keep_each(sw, "uplinks", {"id", "port", "to", "speed_mbps"});
    out["switches"].push_back(one);
  }
  for (const auto& camera : list(design, "cameras")) {
    json one = keep(camera, {"id", "place", "switch", "port"});
    one["heads"] = json::array();
    for (const auto& head : list(camera, "heads")) {
      json eye = keep(head, {"id", "view"});
      eye["streams"] = keep_each(head, "streams", {"id", "use"});
      one["heads"].push_back(eye);
    }
    out["cameras"].push_back(one);
  }
  return out;
}

std::string canonical(const json& value) {
  const auto text = value.dump(-1, ' ', true, json::error_handler_t::replace);
  std::string out;
  out.reserve(text.size() + text.size() / 64);
  for (const char c : text) {
    // These three occur in strings only.
    if (c == '<') out += "\\u003c";
    else if (c == '>') out += "\\u003e";
    else if (c == '&') out += "\\u0026";
    else out += c;
  }
  return out;
}

std::string sha256_of(std::string_view octets) {
  std::array<unsigned char, EVP_MAX_MD_SIZE> out{};
  unsigned length = 0;
  if (EVP_Digest(octets.data(), octets.size(), out.data(), &length, EVP_sha256(), nullptr) != 1) throw FaultError({FaultKind::system,
      "SHA-256 is not available", "OpenSSL", ""});
  std::string hex;
  for (unsigned i = 0; i < length; ++i) {
    hex += "0123456789abcdef"[out[i] >> 4];
    hex += "0123456789abcdef"[out[i] & 15];
  }
  return hex;
}

std::string render(const json& data) {
  View view(data);
  const auto text = canonical(data);
  // Refuses every request, ours too: what is not in the file cannot come in.
  std::string out = "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
                    "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n"
                    "<meta name=\"viewport\" content=\"width=device-width\">\n<title>" +
                    escaped(word(view.round, "site")) + ": hand-over sheet, round " + std::to_string(count(view.round, "round")) + "</title>\n<style>" +
                        style + "</style>\n</head>\n<body>\n";
  out += shape_symbols();
  // One after the other: the notes come in the order in which the parts refer to them.
  for (const auto part : {title_part, riser_part, findings_part, headroom_part, days_held_part, units_part, other_targets_part, witness_part,
      strangers_part, notes_part}) out += part(view);
  out += cautions_part() + signature_part() + sum_part(view, sha256_of(text));
  return out + std::string(data_begins) + text + std::string(data_ends) + "\n</body>\n</html>\n";
}

Outcome<Checked> check(std::string_view file) {
  auto text = between(file, data_begins, data_ends);
  if (!text) return text.error();
  auto printed = between(file, sum_begins, "</code>");
  if (!printed) return printed.error();
  Checked out;
  out.printed_sum = *printed;
  out.reckoned_sum = sha256_of(*text);
  if (out.printed_sum != out.reckoned_sum) {
    out.reason = "the sum that is printed is not the sum of the data: one of them was changed";
    return out;
  }
  bool too_deep = false;
  out.data = json::parse(*text, [&too_deep](int depth, json::parse_event_t, json&) {
    too_deep = too_deep || depth > deepest;
    return !too_deep;
  }, false);
  if (too_deep) return Fault{FaultKind::bad_request, "the data in the file is nested too deep", "", "this is no sheet that Tallywire made"};
  if (!out.data.is_object()) return Fault{FaultKind::bad_request, "the data in the file is no JSON object", "", "this is no sheet that Tallywire made"};
  if (round_sum(member(out.data, "round")) != word(out.data, "round_sha256")) {
    out.reason = "the sum of the round is not that of the round in the data: one of them was changed";
    return out;
  }
  out.made_by_version = word(out.data, "tallywire");
  if (out.made_by_version != TALLYWIRE_VERSION || number(out.data, "format") != data_format || number(out.data, "page_layout") != page_layout) {
    out.verdict = Verdict::only_data;
    out.reason = "the sum fits the data; the page was made by another version, so that its words could not be checked against the data";
    return out;
  }
  const auto made = render(out.data);
  if (made == file) {
    out.verdict = Verdict::confirmed;
    out.reason = "the sum fits the data, and the page is what the data makes, octet by octet";
  } else {
    out.reason = "the sum fits the data, but the page is not what the data makes: first at " + first_difference(file, made);
  }
  return out;
}

}  // namespace tallywire::sheet
