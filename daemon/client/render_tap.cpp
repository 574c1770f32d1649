// A tap's answer as a technician reads it: the capture in two lines, the streams in a table, then what was found.
#include "daemon/client/render.hpp"

#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <array>
#include <cstdio>
#include <map>
#include <vector>

namespace tallywire::client {
namespace {

using nlohmann::json;
using verdict::spoken_bit_rate, verdict::spoken_bytes, verdict::spoken_duration, verdict::spoken_subject;

constexpr std::size_t columns = 9;
using Row = std::array<std::string, columns>;

std::string number(const json& value, int digits) {
  if (value.is_null()) return "unread";
  char text[48];
  std::snprintf(text, sizeof text, "%.*f", digits, value.get<double>());
  std::string out = text;
  if (out.find('.') != std::string::npos) out.erase(out.find_last_not_of('0') + 1);
  if (out.back() == '.') out.pop_back();
  return out;
}

// What a technician calls it: the design's name, the URL of its session, or where it comes from and goes to.
std::string name_of(const json& stream) {
  if (const auto subject = stream.value("subject", json()); subject.is_string()) return spoken_subject(subject);
  if (const auto& url = stream.at("url"); url.is_string()) return url;
  const auto camera = stream.value("camera", json());
  return (camera.is_string() ? camera.get<std::string>() + ", " : "") + stream.value("source", "") + " to " + stream.value("destination", "");
}

std::string picture_of(const json& stream) {
  const auto& codec = stream.at("codec");
  std::string out = codec.is_null() ? "type " + stream.at("payload_type").dump() : codec.get<std::string>();
  if (!stream.at("width").is_null()) out += " " + stream.at("width").dump() + "x" + stream.at("height").dump();
  return out;
}

std::string loss_of(const json& stream) {
  if (!stream.at("lost_packets").is_null()) return stream.at("lost_packets").dump();
  return stream.at("missing_packets").dump() + "?";
}

Row row_of(const json& stream) {
  const auto now = stream.find("wire_bps_now");
  const auto& rate = now != stream.end() ? *now : stream.at("wire_bps");
  return {name_of(stream), picture_of(stream), stream.value("transport", "") , rate.is_null() ? "unread" : spoken_bit_rate(rate),
          stream.at("frame_rate_hz").is_null() ? "-" : number(stream.at("frame_rate_hz"), 2), stream.at("packets").dump(), loss_of(stream),
          stream.at("duplicate_packets").dump() + "/" + stream.at("reordered_packets").dump(), number(stream.at("jitter_ms"), 2)};
}

// Two streams of one session, or of one unit, may have the same name: then each says where it goes, and by which source.
std::map<std::string, int> names_of(const json& streams) {
  std::map<std::string, int> out;
  for (const auto& stream : streams) ++out[name_of(stream) + picture_of(stream)];
  return out;
}

std::string table_of(const json& streams) {
  const auto names = names_of(streams);
  std::vector<Row> rows = {{"stream", "carries", "by", "on the wire", "frames/s", "packets", "lost", "doubled/late", "jitter ms"}};
  for (const auto& stream : streams) {
    rows.push_back(row_of(stream));
    if (names.at(name_of(stream) + picture_of(stream)) > 1) {
      char ssrc[24];
      std::snprintf(ssrc, sizeof ssrc, "%08x", stream.at("ssrc").is_null() ? 0u : stream.at("ssrc").get<unsigned>());
      rows.back()[0] += std::string(stream.at("url").is_null() ? "" : " to " + stream.value("destination", "")) + ", SSRC " + ssrc;
    }
  }
  std::array<std::size_t, columns> widths{};
  for (const auto& row : rows)
    for (std::size_t i = 0; i < columns; ++i) widths[i] = std::max(widths[i], row[i].size());
  std::string out;
  for (const auto& row : rows) {
    std::string text = " ";
    for (std::size_t i = 0; i < columns; ++i) {
      const std::string blanks(widths[i] - row[i].size(), ' ');
      text += " " + (i < 3 ? row[i] + blanks : blanks + row[i]) + " ";
    }
    out += text.substr(0, text.find_last_not_of(' ') + 1) + "\n";
  }
  return out;
}

// One sentence often holds for many streams.
std::string findings_of(const json& streams) {
  std::vector<std::pair<std::string, std::vector<std::string>>> by_sentence;
  for (const auto& stream : streams)
    for (const auto& finding : stream.at("findings")) {
      const auto sentence = finding.get<std::string>();
      const auto same = [&](const auto& entry) { return entry.first == sentence; };
      auto at = std::find_if(by_sentence.begin(), by_sentence.end(), same);
      if (at == by_sentence.end()) at = by_sentence.insert(by_sentence.end(), {sentence, {}});
      if (const auto name = name_of(stream); std::find(at->second.begin(), at->second.end(), name) == at->second.end()) at->second.push_back(name);
    }
  std::string out;
  for (const auto& [sentence, names] : by_sentence) {
    constexpr std::size_t most_names = 3;
    out += "  - ";
    for (std::size_t i = 0; i < std::min(names.size(), most_names); ++i) out += (i > 0 ? "; " : "") + names[i];
    if (names.size() > most_names) out += " and " + std::to_string(names.size() - most_names) + " more";
    out += ": " + sentence + "\n";
  }
  return out;
}

std::string verdicts_of(const json& answer) {
  if (answer.at("verdicts").is_null()) return "";
  const auto& counts = answer.at("counts");
  std::string out = "Against the design: " + counts.at("met").dump() + " met, " + counts.at("tight").dump() + " tight, " + counts.at("missed").dump() +
                    " missed, " + counts.at("unread").dump() + " unread.\n";
  std::map<std::string, std::vector<std::string>> not_seen;
  for (const auto& v : answer.at("verdicts")) {
    const auto kind = v.value("verdict", "");
    if (kind != "missed" && kind != "unread") continue;
    const auto subject = spoken_subject(v.value("subject", ""));
    const auto reason = v.value("reason", "");
    if (kind == "unread")
      not_seen[subject + ": " + reason].push_back(verdict::spoken_quantity(v.value("quantity", "")));
    else
      out += "  missed  " + subject + ": " + reason + "\n";
  }
  for (const auto& [sentence, quantities] : not_seen) {
    out += "  unread  " + sentence + " (";
    for (std::size_t i = 0; i < quantities.size(); ++i) out += (i > 0 ? ", " : "") + quantities[i];
    out += ")\n";
  }
  return out;
}

}  // namespace

std::string render_tap_table(const json& table) {
  std::string out = table.value("at", "") + "  " + table.at("streams_in_all").dump() + (table.at("streams_in_all") == 1 ? " stream" : " streams") +
                    (table.value("note", "").empty() ? "" : "; " + table.value("note", "")) + "\n";
  return out + table_of(table.at("streams"));
}

std::string render_tap(const json& answer) {
  const auto& capture = answer.at("capture");
  const auto& streams = answer.at("streams");
  std::string out = capture.value("source", "") + ": " + capture.at("frames").dump() + " frames, " + spoken_bytes(capture.at("bytes")) + " in " +
                    spoken_duration(capture.at("duration_s")) + (capture.value("stopped", false) ? ", stopped before its end" : "") + "\n";
  out += std::to_string(streams.size()) + (streams.size() == 1 ? " media stream" : " media streams");
  if (const auto& dropped = capture.at("dropped_by_kernel_packets"); !dropped.is_null()) {
    const auto lost = dropped.get<std::uint64_t>() + capture.at("dropped_by_interface_packets").get<std::uint64_t>();
    if (lost > 0) out += "; the capture itself lost " + std::to_string(lost) + (lost == 1 ? " frame" : " frames");
  }
  out += "\n";
  if (!streams.empty()) out += table_of(streams);
  for (const auto& finding : answer.at("findings")) out += "  - " + finding.get<std::string>() + "\n";
  out += findings_of(streams) + verdicts_of(answer);
  std::string unread;
  for (const auto& [field, reason] : answer.at("unread").items())
    if (field.rfind("capture.", 0) != 0) unread += "  " + field + ": " + reason.get<std::string>() + "\n";
  std::map<std::string, int> reasons;
  for (const auto& stream : streams) {
    const auto& why = stream.at("unread");
    const auto tell = [&](const char* field, const char* words) {
      if (const auto at = why.find(field); at != why.end()) ++reasons[std::string(words) + ": " + at->get<std::string>()];
    };
    tell("codec", "what it carries");
    tell("payload_bps", "bit rate");
    tell("jitter_ms", "jitter");
    tell("lost_packets", "loss");
    const auto& codec = stream.at("codec");
    if (codec != "H264" && codec != "H265" && codec != "JPEG") continue;
    tell("width", "picture size and profile");
    tell("frame_rate_hz", "frame rate");
    tell("gop_s", "GOP");
    tell("keyframe_bytes_mean", "size of key frames");
  }
  for (const auto& [reason, count] : reasons) unread += "  of " + std::to_string(count) + (count == 1 ? " stream, " : " streams, ") + reason + "\n";
  if (!unread.empty()) out += "Not read:\n" + unread;
  return out;
}

}  // namespace tallywire::client
