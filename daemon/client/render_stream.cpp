// A metered stream as a technician reads it: what it is, what it weighs, what became of its packets, then what was found.
#include "daemon/client/render.hpp"

#include "daemon/verdict/words.hpp"

#include <nlohmann/json.hpp>

#include <cstdio>
#include <vector>

namespace tallywire::client {
namespace {

using nlohmann::json;
using verdict::spoken_bit_rate, verdict::spoken_bytes, verdict::spoken_quantity;

std::string number(double value, int digits = 2) {
  char text[48];
  std::snprintf(text, sizeof text, "%.*f", digits, value);
  std::string out = text;
  if (out.find('.') != std::string::npos) out.erase(out.find_last_not_of('0') + 1);
  if (out.back() == '.') out.pop_back();
  return out;
}

class Lines {
 public:
  explicit Lines(const json& answer) : answer_(answer) {}

  // Empty when the field is null: then the field stands among those that were not read.
  std::string value(const char* field, const std::string& unit = "", int digits = 2) {
    const auto& at = answer_.at(field);
    if (at.is_null()) return "";
    std::string out = at.is_string() ? at.get<std::string>() : number(at.get<double>(), digits);
    const auto doubt = answer_.at("uncertainty").find(field);
    if (doubt != answer_.at("uncertainty").end() && doubt->get<double>() >= 0.01)
      out += " ± " + number(doubt->get<double>(), digits);
    return out + (unit.empty() ? "" : " " + unit);
  }
  std::string rate(const char* field, const std::string& of) {
    return answer_.at(field).is_null() ? "" : spoken_bit_rate(answer_.at(field).get<double>()) + " " + of;
  }
  // The parts that were read, with commas between; no line when none was.
  void line(const std::string& name, const std::vector<std::string>& parts) {
    std::string joined;
    for (const auto& part : parts)
      if (!part.empty()) joined += (joined.empty() ? "" : ", ") + part;
    if (joined.empty()) return;
    text_ += "  " + name + std::string(name.size() < 14 ? 14 - name.size() : 1, ' ') + joined + "\n";
  }
  std::string& text() { return text_; }

 private:
  const json& answer_;
  std::string text_;
};

std::string peaks(const json& peak_bps) {
  std::string out;
  if (peak_bps.is_null()) return out;
  for (const char* window : {"10", "100", "1000"})
    if (const auto at = peak_bps.find(window); at != peak_bps.end())
      out += (out.empty() ? "" : ", ") + spoken_bit_rate(at->get<double>()) + " in " + window + " ms";
  return out;
}

std::string track_line(const json& track) {
  std::string out = track.value("codec", "");
  if (const auto& bps = track.at("payload_bps"); !bps.is_null()) out += ", " + spoken_bit_rate(bps.get<double>());
  return out + ", " + std::to_string(track.value("packets", std::int64_t{0})) + " packets, " +
         std::to_string(track.value("lost_packets", std::int64_t{0})) + " lost";
}

void put_session(Lines& lines, const json& session) {
  if (session.is_null()) return;
  std::string tls = "not encrypted";
  if (const auto& at = session.at("tls"); !at.is_null()) {
    tls = at.value("version", "");
    if (const auto certificate = at.find("certificate"); certificate != at.end())
      tls += ", certificate of " + certificate->value("subject", "") + ", valid until " + certificate->value("not_after", "").substr(0, 10) +
             (certificate->value("self_signed", false) ? ", signed by itself" : "");
  }
  lines.line("session", {"RTSP " + session.value("rtsp_version", ""), tls, session.value("server", "")});
  for (const auto& left : session.at("left_out")) lines.line("left out", {left.get<std::string>()});
}

}  // namespace

std::string render_stream(const json& answer) {
  Lines lines(answer);
  const auto& size = answer.at("width");
  lines.line("picture", {lines.value("codec"), lines.value("profile"), answer.at("level").is_null() ? "" : "level " + lines.value("level"),
                         size.is_null() ? "" : lines.value("width", "", 0) + " x " + lines.value("height", "", 0)});
  lines.line("came", {answer.at("transport").is_null() ? "" : "by " + lines.value("transport"),
                      answer.value("source", "").empty() ? "" : "from " + answer.value("source", ""), lines.value("duration_s", "s long")});
  lines.line("frames", {lines.value("frame_rate_hz", "frames/s by time stamps"), lines.value("arrival_frame_rate_hz", "by arrivals")});
  lines.line("GOP", {lines.value("gop_frames", "frames"), lines.value("gop_s", "s"),
                     answer.at("gop_frames_min").is_null() ? "" : lines.value("gop_frames_min") + " to " + lines.value("gop_frames_max")});
  lines.line("bit rate", {lines.rate("payload_bps", "of payload"), lines.rate("wire_bps", "on the wire")});
  lines.line("busiest", {peaks(answer.at("peak_bps"))});
  if (!answer.at("keyframe_bytes_mean").is_null())
    lines.line("key frames", {spoken_bytes(answer.at("keyframe_bytes_mean")) + " on the mean",
                              spoken_bytes(answer.at("keyframe_bytes_max")) + " the largest"});
  lines.line("packets", {lines.value("packets", "", 0), lines.value("lost_packets", "lost", 0), lines.value("duplicate_packets", "doubled", 0),
                         lines.value("reordered_packets", "out of order", 0)});
  lines.line("jitter", {lines.value("jitter_ms", "ms (RFC 3550)", 3)});
  lines.line("RTP clock", {lines.value("rtp_clock_ppm", "ppm against ours", 1)});
  for (const auto& gap : answer.at("gaps"))
    lines.line("gap", {number(gap.at("duration_s")) + " s, " + number(gap.at("begin_s")) + " s after the first packet"});
  for (const auto& track : answer.at("tracks")) lines.line(track.value("kind", ""), {track_line(track)});
  put_session(lines, answer.at("session"));
  lines.line("method", {answer.value("method", "")});
  auto& out = lines.text();
  for (const auto& finding : answer.value("findings", json::array())) out += "  - " + finding.get<std::string>() + "\n";
  const auto& unread = answer.at("unread");
  if (!unread.empty()) out += "Not read:\n";
  // One reason often stands for many fields.
  std::vector<std::pair<std::string, std::string>> reasons;
  for (const auto& [field, reason] : unread.items()) {
    const auto words = spoken_quantity(field);
    auto at = reasons.begin();
    while (at != reasons.end() && at->first != reason.get<std::string>()) ++at;
    if (at == reasons.end())
      reasons.emplace_back(reason.get<std::string>(), words);
    else
      at->second += ", " + words;
  }
  for (const auto& [reason, names] : reasons) out += "  " + names + ": " + reason + "\n";
  return out;
}

}  // namespace tallywire::client
