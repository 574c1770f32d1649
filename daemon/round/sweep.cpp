#include "daemon/round/sweep.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <charconv>

namespace tallywire::round {

Outcome<Sweep> Sweep::of(const std::string& range, double rate_per_s, SystemTime now) {
  const auto bad = [&range](const char* what) {
    return Fault{FaultKind::bad_request, what, range, "give a range as 198.51.100.0/24, prefix 16 to 32, and a rate from 1 to 1000 addresses/s"};
  };
  const auto slash = range.find('/');
  const auto address = wire::decode_ipv4(std::string_view(range).substr(0, slash));
  unsigned bits = 32;
  if (slash != std::string::npos) {
    const auto* end = range.data() + range.size();
    const auto [stopped, code] = std::from_chars(range.data() + slash + 1, end, bits);
    if (code != std::errc() || stopped != end) return bad("the range's prefix is no number");
  }
  if (!address) return bad("the range is no IPv4 address with a prefix");
  if (bits < shortest_prefix_bits || bits > 32) return bad("the range is too large, or its prefix no prefix");
  if (!(rate_per_s >= least_rate_per_s && rate_per_s <= most_rate_per_s)) return bad("the rate is outside its limits");
  std::uint32_t number = 0;
  for (const auto octet : *address) number = number << 8 | octet;
  const std::uint32_t hosts = bits == 32 ? 0 : ~std::uint32_t{0} >> bits;
  Sweep out;
  out.range_ = range;
  const bool has_ends = bits < 31;
  out.first_ = out.next_ = (number & ~hosts) + (has_ends ? 1u : 0u);
  out.last_ = (number | hosts) - (has_ends ? 1u : 0u);
  out.rate_per_s_ = rate_per_s;
  out.started_ = out.looked_ = now;
  out.owed_ = 1;  // the first at once
  return out;
}

std::vector<wire::Ipv4> Sweep::take_due(SystemTime now) {
  owed_ += std::max(0.0, std::chrono::duration<double>(now - looked_).count()) * rate_per_s_;
  looked_ = now;
  owed_ = std::min(owed_, std::max(1.0, rate_per_s_ / 10));
  std::vector<wire::Ipv4> out;
  for (; owed_ >= 1 && next_ <= last_; ++next_, owed_ -= 1)
    out.push_back({static_cast<std::uint8_t>(next_ >> 24), static_cast<std::uint8_t>(next_ >> 16), static_cast<std::uint8_t>(next_ >> 8),
                   static_cast<std::uint8_t>(next_)});
  return out;
}

void to_json(nlohmann::json& out, const Sweep& s) {
  out = {{"range", s.range_},
         {"rate_addresses_per_s", s.rate_per_s_},
         {"asked_addresses", s.asked()},
         {"addresses_in_all", s.in_all()},
         {"started", to_rfc3339(s.started_)},
         {"ended", s.ended_ ? nlohmann::json(to_rfc3339(*s.ended_)) : nlohmann::json()}};
}

}  // namespace tallywire::round
