// The roll: every camera of the design with its presence, and the strangers. Pure: it is told what
// was heard and what time it is, and answers what changed and whom to ask.
#pragma once

#include "config/design.hpp"
#include "daemon/verdict/findings.hpp"
#include "probes/reading.hpp"

#include <nlohmann/json_fwd.hpp>

#include <chrono>
#include <map>
#include <optional>
#include <set>
#include <string>
#include <vector>

namespace tallywire::round {

enum class Presence { awaited, arrived, proven, wanting, lost };
const char* name_of(Presence presence);
std::optional<Presence> presence_of(const std::string& name);

// A frame that names its sender, with what is known of the unit by now. Addresses as text: "02:00:5e:10:00:01", "198.51.100.31".
struct Sight {
  std::string hardware_address;  // empty: it spoke through a router
  std::string address;           // empty: not told, or only probed for
  SystemTime when{};
  std::string serial = {};
  std::string seen_on = {};      // "switch/port"
  std::string name = {};         // for a stranger: what it says of itself
  std::string maker = {};
  std::vector<std::string> other_hardware_addresses = {};
  bool is_network = false;       // a switch or router: never a stranger
  std::string interface = {};    // that it was heard on
  std::vector<std::uint16_t> vlans = {};
};

// By what a unit was matched to the design, strongest first.
enum class MatchedBy { nothing, hardware_address, serial, port, address };
const char* name_of(MatchedBy by);  // "hardware_address"; "" for nothing

struct Entry {
  std::string camera;
  Presence presence = Presence::awaited;
  SystemTime since{};
  std::string address;
  std::string hardware_address;
  std::string seen_on;  // "switch/port"
  std::string reason;
  std::optional<SystemTime> arrived;  // begin of this stay; none while it is awaited or lost, or was here before we listened
  std::optional<SystemTime> left, arrived_before;  // end and begin of the stay before this one, as far as they are known
  std::optional<SystemTime> last_heard;
  std::optional<SystemTime> last_asked;
  int asked_in_vain = 0;       // asks since it was last heard
  bool answers_here = false;   // heard by frame, so that its silence means something
  MatchedBy matched_by = MatchedBy::nothing;
  std::string interface;       // that it was heard on last; empty: not by frame
  std::vector<std::uint16_t> vlans;
};

// Whom to ask by ARP, and where.
struct DueAsk {
  std::string camera, address;
  std::string interface;  // empty: wherever there is one
  std::vector<std::uint16_t> vlans;
};

struct Change {
  Entry entry;
  Presence was = Presence::awaited;
};

struct Changes {
  std::vector<Change> cameras;
  std::vector<verdict::Stranger> strangers;
  bool matched = false;  // the sight was of a camera of the design
};

class Roll {
 public:
  // `own_addresses`: hardware addresses of this machine, never strangers.
  Roll(const config::Design& design, std::set<std::string> own_addresses, SystemTime now);

  Changes see(const Sight& sight);
  // A camera answered over TCP: as good as a frame, also across a router.
  Changes heard(const std::string& camera, SystemTime when);
  // Whom to ask now by ARP: silent units, at most every few seconds each and no more than `most`, those that are here before
  // those that are awaited, who waited longest first. A unit that is here is asked at the address and on the interface that it was
  // heard with, an awaited one at its designed address.
  std::vector<DueAsk> due_asks(SystemTime now, std::size_t most, bool awaited_too) const;
  // It was sent: only then its silence counts.
  void asked(const std::string& camera, SystemTime now);
  // Silent for longer than the design allows and unanswered three times: lost. While an interface hears nothing, silence says nothing
  // of the units behind it.
  Changes tick(SystemTime now, const std::set<std::string>& listening);
  // The switch says that this port has no link: whoever hung on it is lost.
  Changes port_down(const std::string& switch_port, SystemTime now);
  // What a round says of a unit that is here; ignored for one that is awaited or lost.
  Changes judged(const std::string& camera, Presence is, const std::string& reason, SystemTime now);
  // A switch says that this address is its own: no stranger.
  void not_a_unit(const std::string& hardware_address);
  // Where a switch has learnt an address: "switch/port".
  void place(const std::string& hardware_address, const std::string& seen_on);

  // Which camera a sight is of, and by what; null for a stranger.
  std::pair<const Entry*, MatchedBy> match(const Sight& sight) const;

  // A switch, a router, a recorder or the far end.
  bool is_infrastructure(const std::string& hardware_address) const { return infrastructure_.contains(hardware_address); }

  const std::vector<Entry>& entries() const { return entries_; }
  const Entry* find(const std::string& camera) const;
  std::vector<verdict::Stranger> strangers() const;
  // Takes presence and times of an earlier run, by camera id; unknown ids are passed over.
  void restore(const nlohmann::json& saved, SystemTime now);

 private:
  bool may_be(std::size_t index, const Sight& sight) const;
  void arrive(Entry& entry, SystemTime when, Changes& out);
  void lose(Entry& entry, SystemTime when, std::string reason, Changes& out);
  void see_stranger(const Sight& sight, Changes& out);
  bool is_recorder(const verdict::Stranger& stranger) const;

  const config::Design& design_;
  std::set<std::string> own_;
  std::set<std::string> known_addresses_;  // of switches, recorders and the far end
  std::set<std::string> infrastructure_;   // hardware addresses that spoke for one of these
  std::vector<Entry> entries_;
  std::map<std::string, std::size_t> by_hardware_;
  std::map<std::string, std::size_t> by_serial_;
  std::map<std::string, std::size_t> by_port_;  // "switch/port"
  std::map<std::string, std::size_t> by_address_;
  std::map<std::string, std::size_t> by_id_;
  std::map<std::string, verdict::Stranger> strangers_;
};

void to_json(nlohmann::json& out, const Entry& entry);

}  // namespace tallywire::round
