// A night of a made-up site as the rounds of Tallywire read it: which quantities a unit and a stream yield, with what methods,
// and how alike the nights are. Counted from real_instruments.cpp, runner_streams.cpp and unit_ports.cpp.
#pragma once

#include "probes/reading.hpp"

#include <nlohmann/json.hpp>

#include <random>
#include <string>
#include <vector>

namespace tallywire::bench {

struct SiteSize {
  int units = 500;
  int streams_of_unit = 4;  // heads with main and sub streams
};

std::size_t readings_of_night(SiteSize size);
std::string unit_subject(int unit);
std::string stream_subject(int unit, int stream);

class MadeUpSite {
 public:
  explicit MadeUpSite(SiteSize size, unsigned seed = 1) : size_(size), random_(seed) {}
  std::vector<Reading> night(SystemTime when);
  // The document that the round of these readings ends with.
  nlohmann::json document(SystemTime when, const std::vector<Reading>& readings);

 private:
  void add_unit(int unit, SystemTime when, std::vector<Reading>& out);
  void add_stream(int unit, int stream, SystemTime when, std::vector<Reading>& out);
  double about(double mean) { return mean * (1 + 0.01 * normal_(random_)); }
  std::string windows();

  SiteSize size_;
  std::mt19937 random_;
  std::normal_distribution<double> normal_{0, 1};
};

}  // namespace tallywire::bench
