#include "daemon/verdict/loss_where.hpp"

#include "daemon/verdict/last_readings.hpp"
#include "daemon/verdict/routes.hpp"
#include "daemon/verdict/words.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <map>
#include <set>

namespace tallywire::verdict {
namespace {

constexpr double fullest_packet_bits = 1460 * 8;  // so a stream has at least as many packets as its payload makes of these
constexpr double packets_lost_to_be_sure = 5;     // expected: none at all by chance in e^-5, less than 1 %
constexpr std::size_t most_named = 8;

// What a stream shows of the links that it crosses.
struct Witness {
  const config::Camera* camera = nullptr;
  std::string subject;
  double loss_ratio = 0;
  double lost = 0;         // packets
  double fewest_packets = 0;
  bool loses = false;
  std::set<std::string> places;
  std::string switch_id, port;  // where the unit hangs
};

struct Place {
  std::string subject;
  std::string name;        // as in "on …"
  enum class Kind { access, uplink, entry } kind = Kind::access;
};

std::string per_cent(double ratio) {
  char text[32];
  std::snprintf(text, sizeof text, "%.2g %%", ratio * 100);
  return text;
}

std::string whole(double number, const char* one, const char* many) {
  return std::to_string(std::llround(number)) + " " + (std::llround(number) == 1 ? one : many);
}

std::string told(const Witness& w) {
  return spoken_subject(w.subject) + ": " + (w.lost > 0 ? per_cent(w.loss_ratio) + " lost, " + whole(w.lost, "packet", "packets") : "nothing lost");
}

class Search {
 public:
  Search(const config::Design& design, const std::vector<Reading>& readings) : design_(design), last_(readings), links_(links_of(design)) {
    for (const auto& camera : design_.cameras)
      for (const auto& head : camera.heads)
        for (const auto& stream : head.streams) look_at(camera, config::subject_of(camera, head, stream));
  }

  std::vector<Finding> run() {
    tell_own_drops();
    tell_left_out();
    std::set<const Witness*> unplaced;
    for (const auto& w : witnesses_)
      if (w.loses) unplaced.insert(&w);
    while (!unplaced.empty()) {
      const auto found = most_shared(unplaced);
      if (found.empty()) break;
      const auto explained = losers(found.front());
      tell(found, explained);
      for (const auto* w : explained) unplaced.erase(w);
    }
    return std::move(out_);
  }

 private:
  void look_at(const config::Camera& camera, const std::string& subject) {
    const auto* ratio = last_.read(subject, "loss_ratio");
    if (!ratio || !ratio->number()) return;
    Witness w;
    w.camera = &camera;
    w.subject = subject;
    w.loss_ratio = *ratio->number();
    w.lost = last_.number(subject, "lost_packets").value_or(0);
    w.loses = w.loss_ratio > design_.limits.loss_limit_ratio;
    const double seconds = std::chrono::duration<double>(ratio->over).count();
    w.fewest_packets = last_.number(subject, "payload_bps").value_or(0) * seconds / fullest_packet_bits;
    const double dropped_here = last_.number(subject, "dropped_here_packets").value_or(0);
    const auto transport = last_.word(subject, "transport");
    if (w.loses && transport == "tcp") {
      left_out_[config::subject_of(camera)].push_back(w);
    } else if (w.loses && dropped_here > 0 && dropped_here >= w.lost / 2) {
      dropped_here_ += dropped_here;
      dropped_of_.push_back(w);
    } else if (transport != "tcp") {
      put_places(w);
      witnesses_.push_back(std::move(w));
    }
  }

  // Where the switch has learnt the unit, else where the design wants it.
  void put_ports(Witness& w) const {
    const auto seen = last_.word(config::subject_of(*w.camera), "port").value_or("");
    const auto slash = seen.find('/');
    w.switch_id = slash == std::string::npos ? w.camera->switch_id : seen.substr(0, slash);
    w.port = slash == std::string::npos ? w.camera->port : seen.substr(slash + 1);
  }

  void put_places(Witness& w) {
    put_ports(w);
    const auto add = [&](Place place) {
      w.places.insert(place.subject);
      places_.try_emplace(place.subject, std::move(place));
    };
    add({config::subject_of(*w.camera), "its own link, port " + w.port + " of " + w.switch_id, Place::Kind::access});
    if (!design_.entry_switch) {
      add({"switch/" + w.switch_id, "the links between " + w.switch_id + " and this machine", Place::Kind::uplink});
      return;
    }
    for (const auto i : route(links_, w.switch_id, *design_.entry_switch)) add({links_[i].subject, name_of(links_[i]), Place::Kind::uplink});
    add({"switch/" + *design_.entry_switch, "the port of " + *design_.entry_switch + " that this machine is plugged into", Place::Kind::entry});
  }

  std::string name_of(const Link& link) const {
    for (const auto& sw : design_.switches)
      for (const auto& uplink : sw.uplinks)
        if (config::subject_of(sw, uplink) == link.subject) return "the uplink from " + sw.id + " (port " + uplink.port + ") to " + link.to;
    return spoken_subject(link.subject);
  }

  std::set<const Witness*> losers(const std::string& place) const {
    std::set<const Witness*> out;
    for (const auto& w : witnesses_)
      if (w.loses && w.places.contains(place)) out.insert(&w);
    return out;
  }

  // Those that cross it and lose nothing would have lost packets if it lost as few of them as the least of those that lose.
  bool is_cleared(const std::string& place, const std::set<const Witness*>& by_losers) const {
    double least = 1;
    for (const auto* w : by_losers) least = std::min(least, w->loss_ratio);
    double packets = 0, lost = 0;
    for (const auto& w : witnesses_)
      if (!w.loses && w.places.contains(place)) packets += w.fewest_packets, lost += w.lost;
    const double expected = packets * least;
    return expected >= packets_lost_to_be_sure && lost < expected / 4;
  }

  // The places that explain the most of these streams; several when the same streams share all of them.
  std::vector<std::string> most_shared(const std::set<const Witness*>& unplaced) const {
    std::vector<std::string> best;
    std::size_t most = 0;
    for (const auto& [subject, place] : places_) {
      const auto all = losers(subject);
      const auto count = static_cast<std::size_t>(std::count_if(all.begin(), all.end(), [&](const auto* w) { return unplaced.contains(w); }));
      if (count == 0 || count < most || is_cleared(subject, all)) continue;
      if (count > most) best.clear();
      most = count;
      best.push_back(subject);
    }
    if (best.empty()) return best;
    // Of equals those only that explain the very same streams: of two units that lose apart, one after the other.
    const auto first = losers(best.front());
    std::erase_if(best, [&](const std::string& other) { return losers(other) != first; });
    return by_counters(std::move(best));
  }

  double counted(const std::string& place) const {
    double sum = 0;
    for (const char* quantity : {"new_in_errors", "new_out_errors", "new_in_discards", "new_out_discards"})
      sum += last_.number(place, quantity).value_or(0);
    return sum;
  }

  // One port that counts errors or discards, where the others count none, decides.
  std::vector<std::string> by_counters(std::vector<std::string> places) const {
    std::vector<std::string> dirty;
    std::copy_if(places.begin(), places.end(), std::back_inserter(dirty), [this](const auto& p) { return counted(p) > 0; });
    return dirty.size() == 1 ? dirty : places;
  }

  void put_counters(const std::string& place, std::vector<std::string>& evidence) const {
    static const std::pair<const char*, const char*> counters[] = {{"new_in_errors", "receive errors"}, {"new_out_errors", "send errors"},
                                                                   {"new_in_discards", "frames discarded on receiving"},
                                                                   {"new_out_discards", "frames discarded before sending (its queue was full)"}};
    const Reading* any = nullptr;
    for (const auto& [quantity, what] : counters) {
      const auto* r = last_.read(place, quantity);
      if (!r) continue;
      any = r;
      if (r->number().value_or(0) > 0)
        evidence.push_back("port of " + spoken_subject(place) + ": " + whole(*r->number(), what, what) + " in " +
                           spoken_duration(std::chrono::duration<double>(r->over).count()) + " (" + r->method + ")");
    }
    if (any && counted(place) == 0)
      evidence.push_back("port of " + spoken_subject(place) + ": it counted neither errors nor discards in " +
                         spoken_duration(std::chrono::duration<double>(any->over).count()) + ", which may have been before the loss (" + any->method + ")");
  }

  std::string next_step(const Place& place) const {
    const bool full = last_.number(place.subject, "new_out_discards").value_or(0) > 0;
    if (full) return "the port throws frames away because its queue is full: lower bit rates and key frames, or give it a faster link";
    switch (place.kind) {
      case Place::Kind::access:
        return "re-terminate the plug at the unit and the one at the switch, then look at the cable's way and length; if the port counts no errors, try "
               "the unit with a short cable at another port: loss that moves with it is the unit's own";
      case Place::Kind::uplink:
        return "look at errors and discards of both ends of the uplink: errors are its cable, its fibre or its modules (clean and reseat them), discards "
               "say that it is too full";
      case Place::Kind::entry: return "put in another cable between this machine and the switch, and look at errors of both ends (`tallywire link`)";
    }
    return "";
  }

  // "gate-north loses", "5 units lose"
  static std::string who_loses(const std::set<const Witness*>& streams) {
    std::set<std::string> ids;
    for (const auto* w : streams) ids.insert(w->camera->id);
    if (ids.size() == 1) return *ids.begin() + " loses ";
    if (ids.size() > 3) return std::to_string(ids.size()) + " units lose ";
    std::string out;
    for (const auto& id : ids) out += (out.empty() ? "" : ", ") + id;
    return out + " lose ";
  }

  std::string sentence(const std::vector<std::string>& places, const std::set<const Witness*>& streams) const {
    double least = 1, most = 0;
    for (const auto* w : streams) least = std::min(least, w->loss_ratio), most = std::max(most, w->loss_ratio);
    const auto share = per_cent(least) == per_cent(most) ? per_cent(most) : per_cent(least) + " to " + per_cent(most);
    std::string where = places_.at(places.front()).name;
    for (std::size_t i = 1; i < places.size(); ++i) where += ", or on " + places_.at(places[i]).name;
    const auto said = who_loses(streams) + share + " of the packets on " + where;
    if (places.size() > 1) return said + ": nobody else shares only one of them, so it cannot be told which";
    if (places_.at(places.front()).kind == Place::Kind::access) return said + ": only its streams lose, those of other units do not";
    return said + ": all streams that cross it lose, and no others";
  }

  void tell(const std::vector<std::string>& places, const std::set<const Witness*>& streams) {
    const auto& place = places_.at(places.front());
    static const std::map<Place::Kind, const char*> ids = {
        {Place::Kind::access, "loss_access"}, {Place::Kind::uplink, "loss_uplink"}, {Place::Kind::entry, "loss_entry"}};
    Finding f{places.size() > 1 ? "loss_between" : ids.at(place.kind), place.subject, sentence(places, streams), next_step(place), {}, {}};
    if (places.size() > 1)
      f.next_step = "read the errors and discards of each of these ports; or plug a second unit into the same switch and prove it: if it loses as well, it is "
                    "not the unit's own link";
    for (const auto* w : streams) {
      if (f.evidence.size() < most_named) f.evidence.push_back(told(*w));
      f.concerns.push_back(w->subject);
    }
    if (streams.size() > most_named) f.evidence.push_back("and " + std::to_string(streams.size() - most_named) + " more");
    const auto clean = std::count_if(witnesses_.begin(), witnesses_.end(), [](const Witness& w) { return !w.loses; });
    if (clean > 0) f.evidence.push_back("not above the limit: " + whole(static_cast<double>(clean), "other stream", "other streams") + " over UDP");
    for (const auto& one : places) put_counters(one, f.evidence);
    out_.push_back(std::move(f));
  }

  void tell_own_drops() {
    if (dropped_of_.empty()) return;
    Finding f{"loss_here", "this_machine",
              "This machine itself had no room for " + whole(dropped_here_, "packet", "packets") + ": that loss is its own, not the network's",
              "end other work on this machine, or meter fewer streams at once; then measure again", {}, {}};
    for (const auto& w : dropped_of_) {
      if (f.evidence.size() < most_named) f.evidence.push_back(told(w));
      f.concerns.push_back(w.subject);
    }
    out_.push_back(std::move(f));
  }

  void tell_left_out() {
    for (const auto& [unit, streams] : left_out_) {
      Finding f{"loss_in_unit", unit,
                spoken_subject(unit) + " leaves packets out itself: they are missing inside a TCP connection, which repairs whatever the network loses",
                "the unit is overloaded, or its viewers are too slow for it: look at its number of viewers and streams, then restart it", {}, {}};
      for (const auto& w : streams) {
        f.evidence.push_back(told(w));
        f.concerns.push_back(w.subject);
      }
      out_.push_back(std::move(f));
    }
  }

  const config::Design& design_;
  LastReadings last_;
  std::vector<Link> links_;
  std::vector<Witness> witnesses_;
  std::map<std::string, Place> places_;
  std::map<std::string, std::vector<Witness>> left_out_;  // by unit
  std::vector<Witness> dropped_of_;
  double dropped_here_ = 0;
  std::vector<Finding> out_;
};

}  // namespace

std::vector<Finding> find_loss_places(const config::Design& design, const std::vector<Reading>& readings) {
  return Search(design, readings).run();
}

}  // namespace tallywire::verdict
