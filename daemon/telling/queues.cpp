#include "daemon/telling/queues.hpp"

#include "daemon/telling/texts.hpp"
#include "probes/deadline.hpp"

#include <boost/asio/redirect_error.hpp>
#include <spdlog/spdlog.h>

namespace tallywire::telling {

namespace asio = boost::asio;
using nlohmann::json;
using namespace std::chrono_literals;
using Entry = record::Record::OutboxEntry;

namespace {

constexpr auto longest_wait = 10min;  // then the record is looked at again: the clock may have been set

}  // namespace

Queues::Queues(asio::io_context& context, record::Record& record, asio::thread_pool& writing, std::vector<std::unique_ptr<Way>> ways, double first_retry_s,
               double give_up_after_h, std::function<void(const json&)> on_told)
    : context_(context),
      record_(record),
      writing_(writing),
      first_retry_s_(first_retry_s),
      give_up_after_h_(give_up_after_h),
      on_told_(std::move(on_told)),
      telling_(std::max<std::size_t>(ways.size(), 1)),
      tasks_(context.get_executor()) {
  for (auto& way : ways) queues_.push_back({std::move(way), std::make_unique<asio::steady_timer>(context), false, false});
}

Queues::~Queues() {
  stop_ = true;
  telling_.join();
}

void Queues::start() {
  for (auto& queue : queues_) tasks_.spawn("telling by " + queue.way->name(), run(queue));
}

void Queues::look() {
  for (auto& queue : queues_) {
    queue.look = true;
    queue.timer->cancel();
  }
}

void Queues::stop() {
  stop_ = true;
  look();
}

std::vector<std::string> Queues::names() const {
  std::vector<std::string> out;
  for (const auto& queue : queues_) out.push_back(queue.way->name());
  return out;
}

asio::awaitable<void> Queues::wait(Queue& queue, std::chrono::milliseconds longest) {
  if (queue.look || stop_) {
    queue.look = false;
    co_return;
  }
  queue.timer->expires_after(longest);
  boost::system::error_code cancelled;
  auto token = asio::redirect_error(asio::use_awaitable, cancelled);
  co_await queue.timer->async_wait(token);
  queue.look = false;
}

asio::awaitable<void> Queues::run(Queue& queue) {
  while (!stop_) {
    std::function<Outcome<std::optional<Entry>>()> read = [this, name = queue.way->name()] { return record_.next_waiting(name); };
    auto entry = co_await offload<Outcome<std::optional<Entry>>>(writing_, std::move(read));
    if (!entry) {
      spdlog::error("what waits to be told by {} cannot be read: {}", queue.way->name(), entry.error().sentence());
      co_await wait(queue, 1min);
      continue;
    }
    if (!entry->has_value()) {
      co_await wait(queue, longest_wait);
      continue;
    }
    // After a restart, or a clock that was set back, nothing waits longer than the longest wait there is.
    const auto left = std::chrono::duration_cast<std::chrono::milliseconds>((*entry)->next_try - now_utc());
    if (left > 0ms && left < 2h) {
      co_await wait(queue, std::min<std::chrono::milliseconds>(left, longest_wait));
      continue;
    }
    auto kept = co_await tell_oldest(queue);
    if (kept || stop_) continue;
    spdlog::error("what was told by {} cannot be kept: {}", queue.way->name(), kept.error().sentence());
    co_await wait(queue, 1min);
  }
}

asio::awaitable<Outcome<bool>> Queues::tell_oldest(Queue& queue) {
  std::function<Outcome<std::optional<Entry>>()> read = [this, name = queue.way->name()] { return record_.next_waiting(name); };
  auto found = co_await offload<Outcome<std::optional<Entry>>>(writing_, std::move(read));
  Outcome<bool> done(boost::system::in_place_value, true);
  if (!found) co_return found.error();
  if (!found->has_value()) co_return done;
  const Entry entry = std::move(**found);
  queue.busy = true;
  std::function<Outcome<void>()> tell = [this, &queue, &entry] { return queue.way->tell(entry.message, now_utc(), stop_); };
  auto told = co_await offload<Outcome<void>>(telling_, std::move(tell));
  queue.busy = false;
  if (!told && stop_) co_return done;  // it was cut short by our own end: no try
  const int tries = entry.tries + 1;
  const auto now = now_utc();
  const bool late = std::chrono::duration<double>(now - entry.made).count() > give_up_after_h_ * 3600;
  const std::string state = told ? "told" : late ? "given_up" : "waiting";
  const auto fault = told ? std::string() : told.error().sentence();
  const auto pause = wait_before_next(tries, first_retry_s_, std::uniform_real_distribution<double>(0, 1)(chance_));
  std::function<Outcome<void>()> mark = [this, &entry, state, tries, next = now + pause, fault] { return record_.mark_outbox(entry.id, state, tries, next, fault); };
  auto marked = co_await offload<Outcome<void>>(writing_, std::move(mark));
  if (told)
    spdlog::info("told by {}: {}", queue.way->name(), entry.key);
  else
    spdlog::warn("{} could not be told by {}{}: {}", entry.key, queue.way->name(), late ? ", and is given up" : "", fault);
  on_told_({{"way", queue.way->name()}, {"key", entry.key}, {"state", state == "waiting" ? "failed" : state}, {"tries", tries},
            {"fault", told ? json() : json(fault)}, {"at", to_rfc3339(now)}});
  if (!marked) co_return marked.error();
  co_return done;
}

asio::awaitable<Outcome<json>> Queues::state() {
  std::function<Outcome<json>()> read = [this, names = names()]() -> Outcome<json> {
    json ways = json::array();
    for (const auto& name : names) {
      auto state = record_.outbox_state(name);
      if (!state) return state.error();
      (*state)["way"] = name;
      ways.push_back(std::move(*state));
    }
    Outcome<json> out(boost::system::in_place_value, std::move(ways));
    return out;
  };
  auto ways = co_await offload<Outcome<json>>(writing_, std::move(read));
  if (!ways) co_return ways.error();
  for (std::size_t i = 0; i < queues_.size(); ++i) {
    auto& way = (*ways)[i];
    way["where"] = queues_[i].way->where();
    const bool waits = way["waiting"].get<int>() > 0;
    way["state"] = queues_[i].busy ? "telling" : !waits ? "idle" : way["last_fault"].is_null() ? "waiting" : "failing";
  }
  co_return ways;
}

}  // namespace tallywire::telling
