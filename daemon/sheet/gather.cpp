#include "daemon/sheet/gather.hpp"

#include "config/design_json.hpp"
#include "daemon/sheet/html.hpp"
#include "daemon/sheet/sheet.hpp"
#include "daemon/sheet/witnessed.hpp"

#include <algorithm>
#include <map>
#include <set>

namespace tallywire::sheet {

using nlohmann::json;
using record::RoundHead;

namespace {

constexpr int rounds_looked_at = 1000;
constexpr std::size_t most_compared = 12;  // each is a whole document

bool is_whole(const RoundHead& head) { return head.state == "complete" && head.kind != "prove"; }

// From the newest accepted whole round before this one on, else the whole round before it; newest first.
std::vector<RoundHead> earlier_rounds(const std::vector<RoundHead>& newest_first, std::int64_t id) {
  std::vector<RoundHead> out;
  for (const auto& head : newest_first) {
    if (head.id >= id || !is_whole(head)) continue;
    if (head.accepted_by) {
      if (out.size() >= most_compared) out.resize(most_compared - 1);
      out.push_back(head);
      return out;
    }
    out.push_back(head);
  }
  if (out.size() > 1) out.resize(1);  // nothing was accepted
  return out;
}

std::pair<std::string, std::string> key_of(const json& finding) { return {word(finding, "id"), word(finding, "subject")}; }

struct Closed {
  json compared = json::array();
  json findings = json::array();
  json unread = json::array();  // gone, but perhaps only because nobody could look
};

bool is_at_or_below(const std::string& subject, const std::string& whole) { return subject == whole || subject.starts_with(whole + "/"); }

std::set<std::string> unread_subjects(const json& document) {
  std::set<std::string> out;
  for (const auto& verdict : list(document, "verdicts"))
    if (word(verdict, "verdict") == "unread") out.insert(word(verdict, "subject"));
  return out;
}

// Whether the round could not read something of the finding's subject. All subjects are below the site.
bool was_unread(const std::set<std::string>& unread, const std::string& subject) {
  return std::any_of(unread.begin(), unread.end(), [&subject](const std::string& one) {
    return subject == "site" || one == "site" || is_at_or_below(one, subject) || is_at_or_below(subject, one);
  });
}

Outcome<Closed> closed_findings(record::Record& record, const std::vector<RoundHead>& heads, const json& document) {
  std::set<std::pair<std::string, std::string>> told;
  for (const auto& finding : list(document, "findings")) told.insert(key_of(finding));
  Closed out;
  const auto unread = unread_subjects(document);
  const auto earlier = earlier_rounds(heads, count(document, "round"));
  for (const auto& head : earlier) {
    auto before = record.round_document(head.id);
    if (!before) return before.error();
    if (!*before) continue;
    out.compared.push_back(head.id);
    for (const auto& finding : list(**before, "findings")) {
      if (!told.insert(key_of(finding)).second) continue;
      json one = finding;
      one["last_round"] = head.id;
      one["last_at"] = word(**before, "ended");
      (was_unread(unread, word(finding, "subject")) ? out.unread : out.findings).push_back(std::move(one));
    }
  }
  std::reverse(out.compared.begin(), out.compared.end());
  return out;
}

Outcome<json> document_of(record::Record& record, const std::vector<RoundHead>& heads, std::optional<std::int64_t> wanted) {
  if (!wanted) {
    const auto newest = std::find_if(heads.begin(), heads.end(), is_whole);
    if (newest == heads.end())
      return Fault{FaultKind::bad_request, "there is no complete round of the whole site yet", "", "run `tallywire round` to its end first, or name a round"};
    wanted = newest->id;
  }
  const auto where = "round " + std::to_string(*wanted);
  auto document = record.round_document(*wanted);
  if (!document) return document.error();
  if (!*document) return Fault{FaultKind::bad_request, "the record has no such round", where, "the page lists them"};
  if (word(**document, "state") == "running") return Fault{FaultKind::bad_request, "the round still runs", where, "wait for its end, or end it"};
  return Outcome<json>(boost::system::in_place_value, std::move(**document));
}

// A round about some units hands over these, and nothing else.
json points_of(const json& document, json points) {
  if (word(document, "kind") != "prove") return points;
  std::set<std::string> cameras;
  for (const auto& entry : list(document, "roll")) cameras.insert("camera/" + word(entry, "camera"));
  json out = json::array();
  for (auto& point : points) {
    const auto subject = word(point, "subject");
    if (cameras.contains(subject.substr(0, subject.find("/head/")))) out.push_back(std::move(point));
  }
  return out;
}

}  // namespace

Outcome<json> gather(record::Record& record, const config::Design& design, const SheetOrder& order) {
  if (!order.by.empty())
    if (auto named = check_name(order.by); !named) return named.error();
  auto heads = record.rounds(rounds_looked_at);
  if (!heads) return heads.error();
  auto document = document_of(record, *heads, order.round);
  if (!document) return document.error();
  auto said = record.witnesses();
  if (!said) return said.error();
  Closed closed;
  if (word(*document, "kind") != "prove" && word(*document, "state") == "complete") {
    auto found = closed_findings(record, *heads, *document);
    if (!found) return found.error();
    closed = std::move(*found);
  }
  const bool same_design = word(*document, "design_sha256") == design.sha256;
  json out = {{"format", data_format},
              {"page_layout", page_layout},
              {"tallywire", TALLYWIRE_VERSION},
              {"made", {{"at", to_rfc3339(order.at)}, {"by", order.by}}},
              {"design", same_design ? design_part(config::to_json(design)) : json()},
              {"round", round_part(*document)},
              {"round_sha256", round_sum(*document)},
              {"accepted", member(*document, "accepted")},
              {"compared_with", closed.compared},
              {"closed_findings", closed.findings},
              {"gone_but_unread", closed.unread},
              {"witness_points", points_of(*document, witness_points(design, *said))}};
  return Outcome<json>(boost::system::in_place_value, std::move(out));
}

}  // namespace tallywire::sheet
