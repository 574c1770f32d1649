// The one account of what the links carry, for all rounds that run: which streams are open, which wait, and whose turn is next.
// A stream is opened when every link on its way has room under its ceiling beside what the link carries already. Those of a
// `prove` come before those of a whole round; within these the planned start decides. A stream that waits for room on a link is
// not overtaken on that link. No stream is opened twice at a time.
//
// Network thread only; no I/O, no clock.
#pragma once

#include "daemon/round/plan.hpp"
#include "daemon/round/site_links.hpp"

#include <cstdint>
#include <functional>
#include <map>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::round {

class LinkRoom {
 public:
  using Ticket = std::uint64_t;
  enum class Rank { prove, round };
  struct Claim {
    PlannedStream stream;
    Rank rank = Rank::round;
    std::function<void(Ticket)> opened;                   // its turn has come; ends with close()
    std::function<void(const std::string& why)> refused;  // a link on its way could not bear it even alone
  };

  static constexpr int most_streams_at_once = 256;

  explicit LinkRoom(int most_at_once = most_streams_at_once) : most_at_once_(most_at_once) {}

  // A look at the links begins and ends. What our own streams sent meanwhile is in what was measured: it is taken out, and such a
  // look never makes a link emptier than it was known to be.
  void begin_look();
  void end_look(const std::vector<SharedLink>& links);

  // Waits from now on; `serve` then opens whatever may be opened. The callbacks may call anything here.
  Ticket wait_for(Claim claim);
  void serve();
  void withdraw(Ticket waiting);  // without a callback; nothing when it was opened
  // What an open stream sends: where that is more than was promised, so much is taken.
  void sends(Ticket open, double wire_bps);
  void close(Ticket open);

  // Room that is left on every one of these links beside what streams of proves wait for; unlimited where no speed is known.
  // The answer is taken as if it were a stream's, until close(); at most `most_bps`.
  std::pair<Ticket, double> take_all_left(const std::vector<std::size_t>& links, double most_bps);

  // The most that a stream may bring on each link when it is alone; infinity where no speed is known.
  std::vector<double> budgets_bps() const;
  const std::vector<SharedLink>& links() const { return links_; }
  double taken_bps(std::size_t link) const { return taken_bps_.at(link); }
  std::size_t open() const { return open_.size(); }
  std::size_t waiting() const { return waiting_.size(); }
  bool idle() const { return open_.empty() && waiting_.empty(); }

  // Rates that rounds measured, by subject: a stream that sent more than promised is planned with that.
  void learn(const std::string& subject, double wire_bps) { rates_bps_[subject] = wire_bps; }
  std::optional<double> learnt(const std::string& subject) const;

 private:
  struct Waiting {
    Ticket ticket;
    Claim claim;
  };
  struct Open {
    PlannedStream stream;
    double taken_bps;
  };
  bool has_room(const PlannedStream& stream, std::size_t link) const;
  std::string why_never(const PlannedStream& stream) const;
  bool is_open(const std::string& subject) const;
  std::vector<std::function<void()>> next_turns();
  void take(const std::vector<std::size_t>& links, double bps);

  int most_at_once_;
  std::vector<SharedLink> links_;
  std::vector<double> carries_bps_;  // beside our streams
  std::vector<double> taken_bps_;    // by our streams
  std::vector<double> most_taken_bps_;  // since the look began
  std::vector<Waiting> waiting_;     // in the order of their turns
  std::map<Ticket, Open> open_;
  std::map<std::string, double> rates_bps_;
  Ticket next_ticket_ = 1;
  bool serving_ = false, serve_again_ = false;
};

// Given back however the work ends: a probe that throws must not keep its room on the links.
struct HeldRoom {
  LinkRoom& room;
  LinkRoom::Ticket ticket;
  ~HeldRoom() { room.close(ticket); }
};

}  // namespace tallywire::round
