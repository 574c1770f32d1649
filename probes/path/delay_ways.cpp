#include "probes/path/delay_ways.hpp"

#include <algorithm>
#include <set>

namespace tallywire::path {

namespace {

constexpr std::uint64_t most_answers_a_packet = 4;

std::vector<wire::StampArrival> each_answer_once(const DelayInput& in) {
  std::vector<wire::StampArrival> out;
  std::set<std::uint32_t> seen;
  for (const auto& a : in.arrivals)
    if (seen.insert(a.reflector_sequence_number).second) out.push_back(a);
  return out;
}

struct Ways {
  const DelayInput& in;
  DelayReport& out;
  std::vector<wire::StampArrival> once;  // each answer of the reflector once, as they came
};

void count_by_far_end(Ways& w) {
  const auto& far = *w.in.reflector;
  const double sent = static_cast<double>(w.in.sent.size()), reflected = static_cast<double>(far.reflected_packets);
  const auto put = [](DelayWay& way, double lost, double of) {
    if (lost < 0 || lost > of) return leave_unread(way, {"lost_packets", "loss_ratio"}, "the far end's count does not fit what was sent and came");
    way.lost_packets = lost;
    if (of > 0) way.loss_ratio = lost / of;
    if (of <= 0) way.unread["loss_ratio"] = "nothing was sent this way";
  };
  put(w.out.to, sent - static_cast<double>(far.received_packets), sent);
  put(w.out.from, reflected - static_cast<double>(w.once.size()), reflected);
  w.out.to.duplicate_packets = static_cast<double>(far.duplicate_packets);
}

// RFC 8762 §4.3: a gap in the reflector's numbers is an answer that was lost; what is missing before its number, a request.
void count_by_numbers(Ways& w) {
  std::uint64_t answers = 0, reached = 0;
  std::set<std::uint32_t> requests;
  for (const auto& a : w.once) {
    answers = std::max<std::uint64_t>(answers, std::uint64_t{a.reflector_sequence_number} + 1);
    reached = std::max<std::uint64_t>(reached, std::uint64_t{a.sequence_number} + 1);
    requests.insert(a.sequence_number);
  }
  const double doubled = static_cast<double>(w.once.size() - requests.size());
  const double lost_to = static_cast<double>(reached) - (static_cast<double>(answers) - doubled);
  if (answers > most_answers_a_packet * w.in.sent.size() || lost_to < 0) {
    for (auto* way : {&w.out.to, &w.out.from})
      leave_unread(*way, {"lost_packets", "loss_ratio", "duplicate_packets"}, "the reflector's numbers are no count of this session");
    return;
  }
  const double lost_from = static_cast<double>(answers - w.once.size());
  w.out.to.lost_packets = lost_to;
  w.out.to.loss_ratio = lost_to / static_cast<double>(std::max<std::uint64_t>(reached, 1));
  w.out.to.duplicate_packets = doubled;
  w.out.from.lost_packets = lost_from;
  w.out.from.loss_ratio = lost_from / static_cast<double>(std::max<std::uint64_t>(answers, 1));
  w.out.undecided_lost_packets = w.in.sent.size() - reached;
}

void put_order(Ways& w) {
  std::vector<Arrived> back;
  for (const auto& a : w.once) back.push_back({a.reflector_sequence_number, a.received_ns});
  w.out.from.order = order_of(back);
  auto by_reflector = w.once;
  std::sort(by_reflector.begin(), by_reflector.end(), [](const auto& a, const auto& b) { return a.reflector_sequence_number < b.reflector_sequence_number; });
  std::vector<Arrived> there;
  std::set<std::uint32_t> seen;
  for (const auto& a : by_reflector)
    if (seen.insert(a.sequence_number).second) there.push_back({a.sequence_number, a.reflector_received_unix_ns});
  w.out.to.order = order_of(there);
}

}  // namespace

void leave_unread(DelayWay& way, std::initializer_list<const char*> fields, const std::string& why) {
  for (const auto* field : fields) way.unread[field] = why;
}

void put_ways(const DelayInput& in, DelayReport& out) {
  Ways w{in, out, each_answer_once(in)};
  const bool differs = std::any_of(in.arrivals.begin(), in.arrivals.end(), [](const auto& a) { return a.reflector_sequence_number != a.sequence_number; });
  if (in.is_tallywire || differs)
    out.stateful = true;
  else
    out.unread["stateful"] = "the reflector's numbers are the sender's: it keeps no count of its own, or nothing was lost or doubled on the way to it";
  if (out.stateful) {
    if (in.reflector)
      count_by_far_end(w);
    else
      count_by_numbers(w);
    if (w.once.empty()) {
      leave_unread(out.from, {"duplicate_packets"}, "no packet came back");
      return;
    }
    out.from.duplicate_packets = static_cast<double>(in.arrivals.size() - w.once.size());
    put_order(w);
    return;
  }
  const bool none_lost = out.answered_packets == out.sent_packets;
  for (auto* way : {&out.to, &out.from}) {
    if (none_lost) way->lost_packets = way->loss_ratio = 0;
    if (!none_lost) leave_unread(*way, {"lost_packets", "loss_ratio"}, out.unread["stateful"]);
    leave_unread(*way, {"duplicate_packets", "reordered_packets"}, out.unread["stateful"]);
  }
}

}  // namespace tallywire::path
