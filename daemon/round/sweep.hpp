// Asking every address of a range once, when told to, at a stated rate. Pure: it is told the time and answers whom to ask.
#pragma once

#include "probes/fault.hpp"
#include "probes/reading.hpp"
#include "probes/wire/arp.hpp"

#include <nlohmann/json_fwd.hpp>

#include <optional>
#include <string>
#include <vector>

namespace tallywire::round {

class Sweep {
 public:
  static constexpr double usual_rate_per_s = 100, least_rate_per_s = 1, most_rate_per_s = 1000;
  static constexpr unsigned shortest_prefix_bits = 16;

  // `range`: "198.51.100.0/22", prefix 16 to 32. Its network and broadcast addresses are not asked (prefix below 31).
  // A Fault of kind bad_request for anything else, and for a rate outside its limits.
  static Outcome<Sweep> of(const std::string& range, double rate_per_s, SystemTime now);

  // Those whose turn has come since the last call. A pause of the caller is not made up for in one burst: at most a tenth of
  // a second's worth is due at once.
  std::vector<wire::Ipv4> take_due(SystemTime now);
  // Asked, all of them: only the answers are still out.
  bool is_asked() const { return next_ > last_; }
  void end(SystemTime now) { ended_ = now; }
  bool has_ended() const { return ended_.has_value(); }
  std::uint64_t asked() const { return next_ - first_; }
  std::uint64_t in_all() const { return last_ - first_ + 1; }

  friend void to_json(nlohmann::json& out, const Sweep& sweep);

 private:
  std::string range_;
  std::uint64_t first_ = 0, next_ = 0, last_ = 0;  // addresses as numbers
  double rate_per_s_ = usual_rate_per_s;
  double owed_ = 0;                                // addresses, by the time that has passed
  SystemTime started_{}, looked_{};
  std::optional<SystemTime> ended_;
};

}  // namespace tallywire::round
