#include "daemon/round/link_room.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

namespace tallywire::round {
namespace {

constexpr double hair_bps = 1;  // sums of doubles are not exact
constexpr double no_limit = std::numeric_limits<double>::infinity();

std::string mbps(double bps) {
  const double tenths = std::round(bps / 1e5);
  std::string out = std::to_string(static_cast<long long>(tenths / 10));
  if (tenths < 1000 && std::fmod(tenths, 10) > 0) out += "." + std::to_string(static_cast<int>(std::fmod(tenths, 10)));
  return out + " Mbit/s";
}

}  // namespace

void LinkRoom::begin_look() { most_taken_bps_ = taken_bps_; }

void LinkRoom::end_look(const std::vector<SharedLink>& links) {
  const auto before = carries_bps_;
  const auto links_before = std::exchange(links_, links);
  taken_bps_.resize(links.size(), 0);
  most_taken_bps_.resize(links.size(), 0);
  carries_bps_.assign(links.size(), 0);
  for (std::size_t i = 0; i < links.size(); ++i) {
    auto& carries = carries_bps_[i];
    // Nobody tells this time: what was measured before goes on while somebody counts on it.
    if (!links[i].load_is_measured && !idle() && i < before.size() && links_before[i].load_is_measured) {
      links_[i].load_bps = links_before[i].load_bps;
      links_[i].load_is_measured = true;
      carries = before[i];
      continue;
    }
    carries = links[i].load_bps;
    if (most_taken_bps_[i] <= hair_bps) continue;
    if (links[i].load_is_measured) carries = std::max(0.0, carries - most_taken_bps_[i]);
    if (i < before.size()) carries = std::max(carries, before[i]);
  }
  most_taken_bps_ = taken_bps_;
}

std::vector<double> LinkRoom::budgets_bps() const {
  std::vector<double> out;
  for (std::size_t i = 0; i < links_.size(); ++i)
    out.push_back(links_[i].speed_bps > 0 ? std::max(0.0, links_[i].ceiling_bps() - carries_bps_[i]) : no_limit);
  return out;
}

void LinkRoom::take(const std::vector<std::size_t>& links, double bps) {
  for (const auto i : links) {
    taken_bps_[i] = std::max(0.0, taken_bps_[i] + bps);
    most_taken_bps_[i] = std::max(most_taken_bps_[i], taken_bps_[i]);
  }
}

bool LinkRoom::has_room(const PlannedStream& stream, std::size_t link) const {
  const auto& l = links_[link];
  return !(l.speed_bps > 0) || carries_bps_[link] + taken_bps_[link] + stream.load_bps <= l.ceiling_bps() + hair_bps;
}

// Empty when every link on the way could bear it alone.
std::string LinkRoom::why_never(const PlannedStream& stream) const {
  const auto budgets = budgets_bps();
  const auto i = too_small_for(stream, budgets);
  if (i == budgets.size()) return {};
  const auto& link = links_[i];
  std::string out = "opening it would push " + link.name + " past its ceiling: it may bring " + mbps(stream.load_bps) + ", and of " +
                    mbps(link.ceiling_bps()) + " the link carries ";
  out += mbps(carries_bps_[i]) + (link.load_is_measured ? " already" : ", as the design has it, since neither a switch nor a tap tells");
  return out;
}

bool LinkRoom::is_open(const std::string& subject) const {
  return std::any_of(open_.begin(), open_.end(), [&](const auto& one) { return one.second.stream.subject == subject; });
}

LinkRoom::Ticket LinkRoom::wait_for(Claim claim) {
  const auto ticket = next_ticket_++;
  const auto later = [](const Claim& a, const Claim& b) {
    return a.rank != b.rank ? a.rank < b.rank : a.stream.start_s < b.stream.start_s;
  };
  const auto at = std::upper_bound(waiting_.begin(), waiting_.end(), claim, [&](const Claim& mine, const Waiting& other) { return later(mine, other.claim); });
  waiting_.insert(at, {ticket, std::move(claim)});
  return ticket;
}

// Whose turn it is is decided for all, and their room is taken, before the first of them is told.
std::vector<std::function<void()>> LinkRoom::next_turns() {
  std::vector<std::function<void()>> turns;
  std::vector<bool> held(links_.size(), false);  // for a stream that waits for room there
  std::vector<Waiting> still;
  for (auto& one : waiting_) {
    auto& stream = one.claim.stream;
    if (auto why = why_never(stream); !why.empty()) {
      turns.push_back([refused = std::move(one.claim.refused), why = std::move(why)] { refused(why); });
      continue;
    }
    bool may = static_cast<int>(open_.size()) < most_at_once_ && !is_open(stream.subject);
    for (const auto i : stream.links) may = may && !held[i];
    for (const auto i : stream.links)
      if (!has_room(stream, i)) {
        may = false;
        held[i] = true;
      }
    if (!may) {
      still.push_back(std::move(one));
      continue;
    }
    take(stream.links, stream.load_bps);
    turns.push_back([opened = std::move(one.claim.opened), ticket = one.ticket] { opened(ticket); });
    const double load = stream.load_bps;
    open_.emplace(one.ticket, Open{std::move(stream), load});
  }
  waiting_ = std::move(still);
  return turns;
}

void LinkRoom::serve() {
  serve_again_ = true;
  if (serving_) return;
  serving_ = true;
  while (serve_again_) {
    serve_again_ = false;
    for (const auto& turn : next_turns()) turn();
  }
  serving_ = false;
}

void LinkRoom::withdraw(Ticket waiting) {
  std::erase_if(waiting_, [waiting](const auto& one) { return one.ticket == waiting; });
}

void LinkRoom::sends(Ticket open, double wire_bps) {
  const auto at = open_.find(open);
  if (at == open_.end()) return;
  auto& one = at->second;
  const double takes = std::max(one.stream.load_bps, wire_bps);
  const double more = takes - one.taken_bps;
  one.taken_bps = takes;
  take(one.stream.links, more);
  if (more < -hair_bps) serve();
}

void LinkRoom::close(Ticket open) {
  const auto at = open_.find(open);
  if (at == open_.end()) return;
  take(at->second.stream.links, -at->second.taken_bps);
  open_.erase(at);
  if (open_.empty()) std::fill(taken_bps_.begin(), taken_bps_.end(), 0);
  serve();
}

std::pair<LinkRoom::Ticket, double> LinkRoom::take_all_left(const std::vector<std::size_t>& links, double most_bps) {
  double left = most_bps;
  for (const auto i : links) {
    if (!(links_[i].speed_bps > 0)) continue;
    double proves = 0;
    for (const auto& one : waiting_)
      if (one.claim.rank == Rank::prove && std::find(one.claim.stream.links.begin(), one.claim.stream.links.end(), i) != one.claim.stream.links.end())
        proves += one.claim.stream.load_bps;
    left = std::min(left, links_[i].ceiling_bps() - carries_bps_[i] - taken_bps_[i] - proves);
  }
  left = std::max(0.0, left);
  const auto ticket = next_ticket_++;
  PlannedStream whole{"", left, links};
  take(links, left);
  open_.emplace(ticket, Open{std::move(whole), left});
  return {ticket, left};
}

std::optional<double> LinkRoom::learnt(const std::string& subject) const {
  const auto at = rates_bps_.find(subject);
  if (at == rates_bps_.end()) return std::nullopt;
  return at->second;
}

}  // namespace tallywire::round
