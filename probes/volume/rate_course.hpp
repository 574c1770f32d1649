// How the written rate went, over time and over what was written; finds where it fell for good. Memory is bounded: a number a
// second (a day at most is measured), and at most `most_slots` equal shares of all that was written. Not thread-safe; no I/O, no clock.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

namespace tallywire::volume {

// Where the rate fell and stayed low: a flash's fast cells are full, a cache is used up.
struct Knee {
  double at_bytes = 0;              // written before it
  double at_s = 0;
  double before_bytes_per_s = 0;    // of all before it
  double after_bytes_per_s = 0;     // of all after it, pauses included
};

class RateCourse {
 public:
  explicit RateCourse(double slot_bytes = 1 << 20) : slot_bytes_(slot_bytes) {}

  // `octets` were written from `from_s` to `to_s`, in seconds since the begin; called in the order of `to_s`.
  // What spans several seconds is spread over them evenly.
  void add(double from_s, double to_s, double octets);

  double octets() const { return octets_; }
  // The slowest second that began and ended by `end_s`; none when there is none.
  std::optional<double> slowest_second_bytes_per_s(double end_s) const;
  // Written from `from_s` to `to_s`, in whole seconds.
  double octets_between(std::size_t from_s, std::size_t to_s) const;
  // The last fall of the rate by a third or more that lasted to the end: 2 s at least, and steadily so: of eight equal shares
  // before it seven at least are faster than the middle of both rates, of eight after it seven are slower.
  std::optional<Knee> knee() const;
  // True when the rate has settled at `now_s`: 10 s at least, the two halves of its last third within 5 % of each
  // other, and no knee within that third.
  bool settled(double now_s) const;

 private:
  static constexpr std::size_t most_slots = 1024;
  struct Slot {
    double rate_s = 0;    // time taken, without pauses
    double pause_s = 0;
  };
  void fill_slots(double took_s, double pause_s, double octets);
  std::optional<std::size_t> fall_after(std::size_t first) const;

  double slot_bytes_;
  double octets_ = 0, last_s_ = 0, open_octets_ = 0, counted_s_ = 0;
  std::size_t adds_ = 0;
  Slot open_;
  std::vector<Slot> slots_;
  std::vector<double> seconds_;
};

}  // namespace tallywire::volume
