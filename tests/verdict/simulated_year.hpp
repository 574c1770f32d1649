// A hundred units through a year of nights: what a round would read of them, with noise and with what happens to units.
//
// Where the shapes come from, all invented but for the forms (common practice): the bit rate of a capped stream scatters like a
// lognormal from night to night (its spread 3 to 15 %, drawn for each unit); week-ends are quieter; a year's wave of 8 % (leaves,
// insects); rain and fog come in spells of one to four nights and raise outdoor streams by a fifth up to a factor of 2.2; single
// bad nights of one unit, a factor of 3 either way; nights with loss all over the site; switches that do not answer for a night.
#pragma once

#include "daemon/verdict/drift.hpp"

#include <random>
#include <set>
#include <string>
#include <vector>

namespace year {

using namespace tallywire;
using verdict::RoundRead;

inline constexpr int units = 100, streams_each = 2, nights = 365, uplinks = 4;

struct Happening {
  enum Kind { dropped, slow, step, lossy, firmware, replaced, flapping, moved } kind;
  int unit = 0, from = 0, until = nights;  // nights
  double a_night = 0;                      // slow: share more each night; step: factor
};

// The site's design: uplinks that are half full.
inline config::Design design_of_year() {
  config::Design design;
  for (int u = 0; u < uplinks; ++u) {
    config::Switch sw;
    sw.id = "sw" + std::to_string(u);
    config::Uplink up;
    up.id = "up";
    up.speed_bps = 400'000'000;
    sw.uplinks.push_back(up);
    design.switches.push_back(sw);
  }
  return design;
}

class Year {
 public:
  Year(std::uint64_t seed, std::vector<Happening> happenings) : random_(seed), happenings_(std::move(happenings)) {
    for (int u = 0; u < units; ++u) {
      spread_.push_back(uniform(0.03, 0.15));
      outdoor_.push_back(uniform(0, 1) < 0.6);
      for (int s = 0; s < streams_each; ++s) base_.push_back(s == 0 ? uniform(2e6, 8e6) : uniform(3e5, 1e6));
    }
    wave_ = uniform(0, 6.28);
  }

  static std::string unit(int u) { return "camera/unit-" + std::to_string(u); }
  static std::string stream(int u, int s) { return unit(u) + "/head/1/stream/" + (s == 0 ? "main" : "view"); }

  // Night 0 is the accepted round: nobody accepts one in which a unit was bad.
  RoundRead night(int n) {
    using namespace std::chrono;
    RoundRead out;
    out.id = n + 1;
    out.when = SystemTime(seconds(1'764'120'600) + hours(24 * n));
    out.hours = "night";
    when_ = out.when;
    if (spell_ == 0 && uniform(0, 1) < 0.04) {
      spell_ = 1 + static_cast<int>(uniform(0, 4));
      rain_ = uniform(1.2, 2.2);
    }
    const bool raining = spell_ > 0;
    if (raining) --spell_;
    const double site_loss = uniform(0, 1) < 0.02 ? uniform(0.001, 0.02) : 0;
    const int silent_switch = uniform(0, 1) < 0.05 ? static_cast<int>(uniform(0, uplinks)) : -1;
    std::vector<double> carried(uplinks, 0);
    for (int u = 0; u < units; ++u) add_unit(out.readings, u, n, raining, site_loss, u % uplinks == silent_switch, carried[static_cast<std::size_t>(u % uplinks)]);
    double all = 0;
    for (int u = 0; u < uplinks; ++u) {
      const auto subject = "switch/sw" + std::to_string(u) + "/uplink/up";
      const double bps = carried[static_cast<std::size_t>(u)];
      all += bps;
      number(out.readings, subject, "measured_bps", bps * 1.06);
      number(out.readings, subject, "busiest_bps", bps * 1.06 * (1.5 + 0.05 * normal_(random_)));
    }
    number(out.readings, "recorder/recorder/volume/main", "days_held_days", 30 * 5e8 / all);
    return out;
  }

  // What the design of the year makes of a stream's rate in a night, without noise.
  double factor(int u, int n) const {
    double out = 1;
    for (const auto& h : happenings_) {
      if (h.unit != u || n < h.from || n >= h.until) continue;
      if (h.kind == Happening::slow) out *= std::pow(1 + h.a_night, n - h.from);
      if (h.kind == Happening::step) out *= h.a_night;
    }
    return out;
  }

  bool is(Happening::Kind kind, int u, int n) const {
    for (const auto& h : happenings_)
      if (h.kind == kind && h.unit == u && n >= h.from && n < h.until) return true;
    return false;
  }

 private:
  double uniform(double low, double high) { return std::uniform_real_distribution<double>(low, high)(random_); }
  void number(std::vector<Reading>& out, const std::string& subject, const char* quantity, double value) {
    out.push_back(read_number(subject, quantity, value, "", when_));
  }
  void word(std::vector<Reading>& out, const std::string& subject, const char* quantity, std::string value) {
    out.push_back(read_word(subject, quantity, std::move(value), "", when_));
  }

  void add_unit(std::vector<Reading>& out, int u, int n, bool raining, double site_loss, bool switch_silent, double& carried) {
    const auto subject = unit(u);
    const bool gone = is(Happening::dropped, u, n);
    word(out, subject, "presence", gone ? "lost" : "arrived");
    if (gone || switch_silent) {
      for (const char* q : {"link_speed_bps", "power_class", "port"}) out.push_back(unread(subject, q, gone ? "the unit is not on the wire" : "no answer", when_));
    } else {
      number(out, subject, "link_speed_bps", is(Happening::flapping, u, n) && n % 2 == 0 ? 1e8 : 1e9);
      number(out, subject, "power_class", 4);
      word(out, subject, "port", "sw" + std::to_string(u % uplinks) + "/" + std::to_string(u + (is(Happening::moved, u, n) ? 1000 : 0)));
    }
    if (gone) return;
    word(out, subject, "firmware", is(Happening::firmware, u, n) ? "2.0" : "1.0");
    word(out, subject, "serial", std::to_string(u + (is(Happening::replaced, u, n) ? 1000 : 0)));
    const bool bad = uniform(0, 1) < 0.005 && n > 0;
    const double scene = std::exp(spread_[static_cast<std::size_t>(u)] * normal_(random_)) * (n % 7 >= 5 ? 0.92 : 1) *
                         (1 + 0.08 * std::sin(wave_ + n * 6.2832 / 365)) * (raining && outdoor_[static_cast<std::size_t>(u)] ? rain_ : 1) *
                         (bad ? (uniform(0, 1) < 0.5 ? 3 : 1.0 / 3) : 1) * factor(u, n);
    const double loss = (is(Happening::lossy, u, n) ? 0.005 : 0) + site_loss + (bad ? uniform(0, 0.02) : 0);
    for (int s = 0; s < streams_each; ++s) {
      const double bps = base_[static_cast<std::size_t>(u * streams_each + s)] * scene * std::exp(0.02 * normal_(random_));
      carried += bps;
      const auto at = stream(u, s);
      word(out, at, "codec", "H264");
      number(out, at, "width_px", 1920);
      number(out, at, "frame_rate_hz", (bad ? 12.5 : 25) + 0.02 * normal_(random_));
      number(out, at, "gop_frames", 50);
      number(out, at, "payload_bps", bps);
      number(out, at, "loss_ratio", loss);
    }
  }

  std::mt19937_64 random_;
  std::normal_distribution<double> normal_{0, 1};
  std::vector<Happening> happenings_;
  std::vector<double> spread_, base_;
  std::vector<bool> outdoor_;
  double wave_ = 0, rain_ = 1;
  int spell_ = 0;
  SystemTime when_{};
};

}  // namespace year
