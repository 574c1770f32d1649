#include "daemon/client/record_rows.hpp"

#include <fcntl.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>

namespace tallywire::client {

using nlohmann::json;

std::string csv_field(const std::string& text) {
  if (text.find_first_of(",\"\r\n") == std::string::npos) return text;
  std::string out = "\"";
  for (const char c : text) out += c == '"' ? std::string("\"\"") : std::string(1, c);
  return out + "\"";
}

namespace {

// What a unit says of itself must not be reckoned by a spreadsheet that opens the file.
std::string no_formula(const std::string& word) { return !word.empty() && std::string_view("=+-@\t\r").find(word[0]) != std::string_view::npos ? "'" + word : word; }

}  // namespace

std::string csv_head() { return "round,kind,subject,quantity,value,uncertainty,when,over_s,method,unread\r\n"; }

std::string csv_row(std::int64_t round, const std::string& kind, const Reading& r) {
  const auto number = [](double value) { return json(value).dump(); };  // the fewest digits that tell it from any other
  const std::string value = r.number() ? number(*r.number()) : no_formula(r.word().value_or(""));
  std::string out = std::to_string(round);
  const auto over_s = number(std::chrono::duration<double>(r.over).count());
  for (const auto& field : {kind, r.subject, r.quantity, value, number(r.uncertainty), to_rfc3339(r.when), over_s, r.method, r.unread})
    out += "," + csv_field(field);
  return out + "\r\n";
}

ExportFile::~ExportFile() {
  if (file_ && file_ != stdout) std::fclose(file_);
  if (!part_.empty() && !kept_) ::unlink(part_.c_str());
}

Fault ExportFile::cannot(const char* what) const {
  return {FaultKind::system, std::string(what) + ": " + std::strerror(errno), path_, "check the directory, the right to write there, and the free space"};
}

Outcome<void> ExportFile::open() {
  if (path_ == "-") {
    file_ = stdout;
    return {};
  }
  const Fault taken{FaultKind::bad_request, "the file is there already", path_, "name another one"};
  if (::access(path_.c_str(), F_OK) == 0) return taken;
  const int file = ::open((path_ + ".part").c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0640);
  if (file < 0 && errno == EEXIST)
    return Fault{FaultKind::bad_request, "an export to this file runs, or was killed", path_ + ".part", "remove it when none runs"};
  if (file < 0) return cannot("the export cannot be written");
  part_ = path_ + ".part";
  file_ = ::fdopen(file, "wb");
  if (!file_) return cannot("the export cannot be written");
  return {};
}

Outcome<void> ExportFile::write(const std::string& text) {
  if (std::fwrite(text.data(), 1, text.size(), file_) != text.size()) return cannot("the export cannot be written");
  return {};
}

Outcome<void> ExportFile::keep() {
  if (std::fflush(file_) != 0) return cannot("the export cannot be written");
  if (file_ == stdout) return {};
  if (::fsync(::fileno(file_)) != 0) return cannot("the export cannot be written");
  if (::renameat2(AT_FDCWD, part_.c_str(), AT_FDCWD, path_.c_str(), RENAME_NOREPLACE) != 0) return cannot("the export cannot get its name");
  kept_ = true;
  return {};
}

Outcome<void> ExportWriter::begin() { return file_.write(as_csv_ ? csv_head() : "{\"rounds\": ["); }

Outcome<void> ExportWriter::add_round(const json& summary) {
  if (as_csv_) return {};
  return file_.write((rounds_++ == 0 ? "\n" : ",\n") + json_line(summary));
}

Outcome<void> ExportWriter::add(std::int64_t round, const std::string& kind, const Reading& reading) {
  const bool is_first = readings_++ == 0;
  if (as_csv_) return file_.write(csv_row(round, kind, reading));
  json row = reading;
  row["round"] = round;
  row["kind"] = kind;
  return file_.write((is_first ? "\n], \"readings\": [\n" : ",\n") + json_line(row));
}

Outcome<void> ExportWriter::end() {
  if (as_csv_) return {};
  return file_.write(readings_ == 0 ? "\n], \"readings\": []}\n" : "\n]}\n");
}

}  // namespace tallywire::client
