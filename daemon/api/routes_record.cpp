// What the record tells beside whole rounds: history, nights, an export's pages, copies, metrics.
#include "daemon/api/event_feed.hpp"
#include "daemon/api/metrics.hpp"
#include "daemon/api/routes.hpp"
#include "daemon/record/reading_text.hpp"
#include "probes/deadline.hpp"

#include <algorithm>
#include <charconv>
#include <limits>
#include <map>

namespace tallywire::api {

namespace asio = boost::asio;
using nlohmann::json;

namespace {

constexpr std::int64_t no_end = std::numeric_limits<std::int64_t>::max();
constexpr std::int64_t most_nights = 1000, usual_nights = 60;
constexpr std::int64_t most_of_a_page = 5000;
using Text = std::function<Outcome<std::string>()>;

Fault bad(const std::string& what) { return {FaultKind::bad_request, what, "", "see docs/api.md"}; }

// A whole number of the query; `usual` when it is not there, nothing when it is none or out of range.
std::optional<std::int64_t> number_of(const Request& request, const char* name, std::int64_t usual, std::int64_t least, std::int64_t most) {
  const auto text = request.parameter(name);
  if (text.empty()) return usual;
  std::int64_t value = 0;
  const auto [end, code] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (code != std::errc() || end != text.data() + text.size() || value < least || value > most) return std::nullopt;
  return value;
}

Outcome<std::string> history_text(record::Record& record, const std::string& subject, const std::string& quantity, std::int64_t nights) {
  auto points = record.history(subject, quantity, static_cast<int>(nights));
  if (!points) return points.error();
  JsonText out;
  out.begin_object();
  out.field("subject", subject);
  out.field("quantity", quantity);
  out.key("points");
  out.begin_array();
  for (const auto& [round, kind, reading] : *points) {
    out.begin_object();
    out.field("round", round);
    out.field("kind", kind);
    out.field("at", to_rfc3339(reading.when));
    out.key("value");
    record::write_value(out, reading);
    out.field("uncertainty", reading.uncertainty);
    out.key("unread");
    if (reading.is_read()) out.null(); else out.value(reading.unread);
    out.end_object();
  }
  out.end_array();
  out.end_object();
  return std::string(out.text());
}

Outcome<std::string> nights_text(record::Record& record, const std::string& camera, std::int64_t most) {
  auto nights = record.unit_nights(camera, static_cast<int>(most));
  if (!nights) return nights.error();
  json rows = json::array();
  for (const auto& n : *nights)
    rows.push_back({{"round", n.round}, {"kind", n.kind}, {"at", to_rfc3339(n.at)}, {"presence", n.presence},
                    {"counts", {{"met", n.met}, {"tight", n.tight}, {"missed", n.missed}, {"unread", n.unread}}}});
  return json_line({{"camera", camera}, {"nights", rows}});
}

// Empty: there is no such round.
Outcome<std::string> readings_text(record::Record& record, std::int64_t round, const std::string& subject) {
  auto there = record.rounds_between(round, round, SystemTime{}, 0, 1);
  if (!there) return there.error();
  if (there->empty()) return std::string();
  auto readings = subject.empty() ? record.readings_of(round) : record.readings_below(round, subject);
  if (!readings) return readings.error();
  JsonText out;
  out.begin_object();
  out.field("round", round);
  out.key("subject");
  if (subject.empty()) out.null(); else out.value(subject);
  out.key("readings");
  out.begin_array();
  for (const auto& reading : *readings) {
    out.begin_object();
    record::write_fields(out, reading);
    out.end_object();
  }
  out.end_array();
  out.end_object();
  return std::string(out.text());
}

// "7.12.3456.0": round, quantity, subject, n of the reading after which a page begins.
std::string place_text(const record::ExportPlace& p) {
  return std::to_string(p.round) + "." + std::to_string(p.quantity) + "." + std::to_string(p.subject) + "." + std::to_string(p.n);
}

std::optional<record::ExportPlace> place_of(const std::string& text) {
  record::ExportPlace out;
  if (text.empty()) return out;
  const char* at = text.data();
  const char* const end = at + text.size();
  for (auto* part : {&out.round, &out.quantity, &out.subject, &out.n}) {
    if (part != &out.round && (at == end || *at++ != '.')) return std::nullopt;
    const auto [next, code] = std::from_chars(at, end, *part);
    if (code != std::errc()) return std::nullopt;
    at = next;
  }
  if (at != end) return std::nullopt;
  return out;
}

Outcome<std::string> export_text(record::Record& record, std::int64_t first, std::int64_t last, const record::ExportPlace& after, std::int64_t limit) {
  auto page = record.export_page(first, last, after, static_cast<int>(limit));
  if (!page) return page.error();
  JsonText out;
  out.begin_object();
  out.key("readings");
  out.begin_array();
  for (const auto& [round, kind, reading] : page->readings) {
    out.begin_object();
    out.field("round", round);
    out.field("kind", kind);
    record::write_fields(out, reading);
    out.end_object();
  }
  out.end_array();
  out.key("next");
  if (page->next) out.value(place_text(*page->next)); else out.null();
  out.end_object();
  return std::string(out.text());
}

Outcome<std::string> rounds_text(record::Record& record, std::int64_t first, std::int64_t last, SystemTime since, std::int64_t after, std::int64_t limit) {
  auto heads = record.rounds_between(first, last, since, after, static_cast<int>(limit));
  if (!heads) return heads.error();
  json rounds = json::array();
  for (const auto& head : *heads) rounds.push_back(record::summary_of(head));
  const bool more = static_cast<std::int64_t>(heads->size()) == limit;
  return json_line({{"rounds", rounds}, {"next", more ? json(heads->back().id) : json()}});
}

json copy_json(const std::optional<record::CopyState>& copy) {
  if (!copy) return nullptr;
  json out = {{"file", copy->file}, {"state", copy->state}, {"started", to_rfc3339(copy->started)}, {"ended", nullptr},
              {"done_bytes", copy->done_bytes}, {"all_bytes", copy->all_bytes}, {"error", nullptr}};
  if (copy->ended) out["ended"] = to_rfc3339(*copy->ended);
  if (const auto& f = copy->fault) out["error"] = {{"kind", name_of(f->kind)}, {"what", f->what}, {"where", f->where}, {"try_next", f->try_next}};
  return out;
}

Outcome<std::string> record_text(record::Record& record) {
  auto size = record.size();
  if (!size) return size.error();
  return json_line({{"schema", size->schema}, {"file_bytes", size->file_bytes}, {"log_bytes", size->log_bytes}, {"free_bytes", size->free_bytes},
                    {"rounds", size->rounds}, {"whole_rounds", size->whole_rounds}, {"thinned_rounds", size->thinned_rounds},
                    {"copy", copy_json(record.copying().state())}});
}

// What to read for a GET; a Fault for one that makes no sense.
Outcome<Text> text_of(record::Record& record, const Request& request) {
  const auto& path = request.path;
  const auto first = number_of(request, "first", 1, 1, no_end), last = number_of(request, "last", no_end, 1, no_end);
  const auto limit = number_of(request, "limit", most_of_a_page, 1, most_of_a_page);
  const auto nights = number_of(request, "nights", usual_nights, 1, most_nights);
  if (!first || !last || !limit || !nights) return bad("a number of the query is none, or out of its range");
  const auto subject = request.parameter("subject"), quantity = request.parameter("quantity"), camera = request.parameter("camera");
  if (path == "/api/history") {
    if (subject.empty() || quantity.empty()) return bad("the history is of one subject and one quantity");
    return Text([&record, subject, quantity, n = *nights] { return history_text(record, subject, quantity, n); });
  }
  if (path == "/api/nights") {
    if (camera.empty()) return bad("the nights are those of one camera");
    return Text([&record, camera, n = *nights] { return nights_text(record, camera, n); });
  }
  if (path == "/api/record") return Text([&record] { return record_text(record); });
  if (path == "/api/record/readings") {
    const auto after = place_of(request.parameter("after"));
    if (!after) return bad("“after” is the “next” of the page before");
    return Text([&record, f = *first, l = *last, place = *after, n = *limit] { return export_text(record, f, l, place, n); });
  }
  if (path == "/api/record/rounds") {
    const auto after = number_of(request, "after", 0, 0, no_end);
    if (!after) return bad("“after” is the “next” of the page before");
    SystemTime since{};
    try {
      if (const auto text = request.parameter("since"); !text.empty()) since = from_rfc3339(text);
    } catch (const std::invalid_argument&) {
      return bad("“since” is a time as 2026-11-26T00:00:00Z");
    }
    return Text([&record, f = *first, l = *last, since, a = *after, n = *limit] { return rounds_text(record, f, l, since, a, n); });
  }
  std::int64_t round = 0;
  constexpr std::string_view rounds = "/api/rounds/";
  if (path.starts_with(rounds) && path.ends_with("/readings")) {
    std::from_chars(path.data() + rounds.size(), path.data() + path.size(), round);
    return Text([&record, round, subject] { return readings_text(record, round, subject); });
  }
  return Text();
}

}  // namespace

asio::awaitable<Reply> Routes::text_read(std::function<Outcome<std::string>()> read) {
  auto text = co_await offload<Outcome<std::string>>(reading_, std::move(read));
  if (!text) co_return error_reply(503, text.error());
  if (text->empty()) co_return error_reply(404, {FaultKind::bad_request, "there is no such round", "", "the page lists them"});
  Reply out{200, "application/json", std::move(*text), false, 0};
  co_return out;
}

asio::awaitable<Reply> Routes::about_record(Request request) {
  if (request.method == "POST" && request.path == "/api/record/copy") {
    const auto body = request.json_body();
    if (!body.is_object() || !body.contains("file") || !body.at("file").is_string()) co_return error_reply(400, bad("the body is not {“file”: path}"));
    // It looks at the path first, and that may lie on a disk that hangs.
    std::function<Outcome<void>()> begin = [this, file = body.at("file").get<std::string>()] { return record_.copying().start(file); };
    auto started = co_await offload<Outcome<void>>(reading_, std::move(begin));
    if (!started) co_return error_reply(422, started.error());
    Reply accepted{202, "application/json", json_line(copy_json(record_.copying().state())), false, 0};
    co_return accepted;
  }
  if (request.method != "GET") co_return error_reply(404, bad(request.method + " " + request.path + " is not here"));
  auto read = text_of(record_, request);
  if (!read) co_return error_reply(422, read.error());
  if (!*read) co_return error_reply(404, bad(request.path + " is not here"));
  auto out = co_await text_read(std::move(*read));
  co_return out;
}

namespace {

Outcome<Metrics> read_metrics(record::Record& record, Metrics out) {
  auto size = record.size();
  if (!size) return size.error();
  out.size = *size;
  auto last = record.last_event();
  if (!last) return last.error();
  out.last_event = *last;
  auto whole = record.newest_complete(false), night = record.newest_complete(true);
  if (!whole) return whole.error();
  if (!night) return night.error();
  out.last_round = std::move(*whole);
  out.last_night = std::move(*night);
  auto uplinks = record.newest_part("headroom", true);
  if (!uplinks) return uplinks.error();
  if (*uplinks) out.uplinks = std::move((**uplinks).second);
  return out;
}

}  // namespace

asio::awaitable<Reply> Routes::metrics() {
  Metrics begun;
  const auto roll = service_.roll();
  std::map<std::string, int> presences{{"awaited", 0}, {"arrived", 0}, {"proven", 0}, {"wanting", 0}, {"lost", 0}};
  for (const auto& entry : roll.at("cameras")) ++presences[entry.at("presence").get<std::string>()];
  begun.cameras.assign(presences.begin(), presences.end());
  begun.strangers = roll.at("strangers").size();
  begun.feed_listeners = feed_.listeners();
  begun.record_fault = !service_.describe().at("record_fault").is_null();
  std::function<Outcome<Metrics>()> read = [this, begun] { return read_metrics(record_, begun); };
  auto all = co_await offload<Outcome<Metrics>>(reading_, std::move(read));
  if (!all) co_return error_reply(503, all.error());
  Reply out{200, metrics_type, metrics_text(*all), false, 0};
  co_return out;
}

}  // namespace tallywire::api
