#include "probes/path/rehearsal.hpp"

#include "probes/deadline.hpp"
#include "probes/wire/far_end_handshake.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <random>
#include <thread>

namespace tallywire::path {

namespace asio = boost::asio;
using nlohmann::json;
using namespace std::chrono_literals;

namespace {

constexpr auto answer_limit = 5s;     // for any frame; the far end says something each 100 ms
constexpr auto stopped_limit = 800ms; // for what was read, once a person has ended it
constexpr auto look = 100ms;          // how often a wait looks whether a person has
constexpr double overhead_s = 0.7;    // of a step: the far end waits for what is still under way

// The thread of one step. It ends with its owner.
struct Sending {
  std::atomic<bool> stop{false}, done{false};
  Outcome<SendReport> result = Fault{FaultKind::cancelled, "nothing was sent", "", ""};
  std::jthread thread;
  ~Sending() { stop = true; }
};

std::string percent(double scale) {
  char text[32];
  std::snprintf(text, sizeof text, "%.3g %%", scale * 100);
  return text;
}

class Rehearsal {
 public:
  Rehearsal(RehearsalRequest request, LiveWatch* watch, RehearsalProgress progress, Stop& stop)
      : request_(std::move(request)), watch_(watch), progress_(std::move(progress)), stop_(stop), climb_(request_.climb) {}

  asio::awaitable<Outcome<RehearsalReport>> run() {
    auto opened = co_await open();
    if (!opened) co_return opened.error();
    const Stop::Subscription stopping(stop_, [this] {
      if (sending_) sending_->stop = true;
    });
    begun_ = std::chrono::steady_clock::now();
    while (!stop_.requested() && !report_.harm && !report_.broke_off) {
      const auto scale = climb_.next();
      if (!scale) break;
      co_await take_step(*scale);
      if (climb_.next()) co_await pause_for(request_.rest);
      if (!watch_ || report_.harm || stop_.requested()) continue;
      auto seen = co_await watch_->look();
      note_harm(*scale, std::move(seen));
    }
    report_.stopped = stop_.requested();
    report_.carried_scale = climb_.carried_scale();
    report_.lost_scale = climb_.lost_scale();
    report_.took_s = elapsed_s();
    if (report_.broke_off && report_.steps.empty()) co_return *report_.broke_off;
    co_return std::move(report_);
  }

 private:
  asio::awaitable<Outcome<bool>> open() {
    request_.plan.ipv6 = request_.far_end.address.find(':') != std::string::npos;
    first_ssrc_ = std::random_device()();
    json order = {{"do", "rehearsal"}, {"streams", request_.plan.streams.size()}, {"first_ssrc", first_ssrc_}};
    auto agreed = co_await agree(request_.far_end, std::move(order), &stop_);
    if (!agreed) co_return agreed.error();
    channel_ = agreed->channel;
    const auto port = agreed->details.find("udp_port");
    if (port == agreed->details.end() || !port->is_number_unsigned() || *port > 65535) co_return malformed();
    auto socket = RehearsalSocket::to(request_.far_end.address, port->get<std::uint16_t>());
    if (!socket) co_return socket.error();
    socket_ = std::move(*socket);
    co_return true;
  }

  asio::awaitable<void> take_step(double scale) {
    StepReport step;
    step.scale = scale;
    step.planned_s = request_.step_s();
    auto sent = co_await send(step);
    if (sent) sent = co_await collect(step);
    if (!sent) {
      if (!stop_.requested()) report_.broke_off = sent.error();
      co_return;
    }
    step.whole = step.sent.sent_s >= step.planned_s;
    const bool lost = step.lost_packets() > 0;
    // What was ended before its time has proven a loss, but never that all of it is carried.
    if (lost || step.whole) climb_.take(scale, lost);
    report_.steps.push_back(std::move(step));
  }

  // Until the step is sent, or ended. The far end is heard all the while: one that falls silent is sent nothing more.
  asio::awaitable<Outcome<bool>> send(StepReport& step) {
    const auto number = static_cast<std::uint8_t>(report_.steps.size() + 1);
    json begin = {{"step", number}};
    auto told = co_await channel_->send(wire::encode_far_end_frame(begin), answer_limit);
    if (!told) co_return told.error();
    auto ready = co_await hear();
    if (!ready) co_return ready.error();
    sending_ = std::make_unique<Sending>();
    auto* sending = sending_.get();
    const RehearsalStep order{number, step.scale, step.planned_s};
    sending->thread = std::jthread([this, sending, order] {
      sending->result = send_rehearsal(socket_, request_.plan, order, first_ssrc_, sending->stop);
      sending->done = true;
    });
    Outcome<bool> out(true);
    auto last_heard = std::chrono::steady_clock::now();
    while (!sending->done) {
      if (stop_.requested()) sending->stop = true;
      auto heard = co_await channel_->receive(look);
      if (heard) last_heard = std::chrono::steady_clock::now();
      if (!heard && (heard.error().kind != FaultKind::timed_out || is_silent_since(last_heard))) {
        out = heard.error().kind == FaultKind::timed_out ? silent() : heard.error();
        break;
      }
      if (watch_ && !report_.harm) note_harm(step.scale, watch_->harm());
      if (report_.harm) sending->stop = true;
      tell(step);
    }
    sending->stop = true;
    sending->thread.join();
    if (out && !sending->result) out = sending->result.error();
    if (sending->result) step.sent = std::move(*sending->result);
    sending_.reset();
    co_return out;
  }

  asio::awaitable<Outcome<bool>> collect(StepReport& step) {
    json end = {{"end", true}};
    auto told = co_await channel_->send(wire::encode_far_end_frame(end), answer_limit);
    if (!told) co_return told.error();
    const auto deadline = std::chrono::steady_clock::now() + (stop_.requested() ? stopped_limit : std::chrono::milliseconds(2 * answer_limit));
    while (std::chrono::steady_clock::now() < deadline) {
      auto frame = co_await hear();
      if (!frame) co_return frame.error();
      try {
        if (const auto streams = frame->find("streams"); streams != frame->end())
          for (const auto& one : *streams) step.received.streams.push_back(one.get<ReceivedStream>());
        if (const auto done = frame->find("done"); done != frame->end()) {
          step.received.own_dropped_packets = frame->at("own_dropped").get_ref<const json::number_unsigned_t&>();
          step.received.foreign_packets = frame->at("foreign").get_ref<const json::number_unsigned_t&>();
          step.received.busiest_bps = frame->at("busiest_bps").get<double>();
          if (step.received.streams.size() != request_.plan.streams.size()) co_return malformed();
          co_return true;
        }
      } catch (const json::exception&) {
        // Told below: nothing is awaited in here.
        step.received.streams.clear();
        step.received.streams.resize(most_rehearsed_streams + 1);
      }
      if (step.received.streams.size() > request_.plan.streams.size()) co_return malformed();
    }
    Fault late{FaultKind::timed_out, "the far end did not tell what it received", channel_->where(), ""};
    co_return late;
  }

  // The next frame. A person who ends it does not wait for a far end that is silent.
  asio::awaitable<Outcome<json>> hear() {
    const auto begun = std::chrono::steady_clock::now();
    for (;;) {
      auto heard = co_await channel_->receive(look);
      if (heard || heard.error().kind != FaultKind::timed_out) co_return heard;
      if (is_silent_since(begun)) co_return silent();
    }
  }

  bool is_silent_since(std::chrono::steady_clock::time_point when) const {
    return std::chrono::steady_clock::now() - when >= (stop_.requested() ? stopped_limit : std::chrono::milliseconds(answer_limit));
  }

  Fault silent() const {
    return {FaultKind::timed_out, stop_.requested() ? "stopped while the far end was silent" : "the far end has said nothing for 5 s", channel_->where(),
            "check that it still runs and that the path to it is whole, then repeat"};
  }

  Fault malformed() const {
    return {FaultKind::malformed, "the far end answered something else than a rehearsal", request_.far_end.address, "check that both run the same version"};
  }

  void note_harm(double scale, std::optional<std::string> what) {
    if (what && !report_.harm) report_.harm = Harm{scale, std::move(*what)};
  }

  double elapsed_s() const { return std::chrono::duration<double>(std::chrono::steady_clock::now() - begun_).count(); }

  void tell(const StepReport& step) {
    if (!progress_) return;
    const double each = request_.step_s() + overhead_s + std::chrono::duration<double>(request_.rest).count();
    const double left = each * static_cast<double>(climb_.most_steps_left());
    const double total = std::max(left, elapsed_s() + left - each / 2);
    progress_(elapsed_s(), total, "sending " + percent(step.scale) + " of the load");
  }

  RehearsalRequest request_;
  LiveWatch* watch_;
  RehearsalProgress progress_;
  Stop& stop_;
  Climb climb_;
  RehearsalReport report_;
  std::shared_ptr<FarEndChannel> channel_;
  RehearsalSocket socket_;
  std::uint32_t first_ssrc_ = 0;
  std::unique_ptr<Sending> sending_;
  std::chrono::steady_clock::time_point begun_;
};

}  // namespace

double StepReport::offered_bps() const {
  double octets = 0;
  for (const auto& s : sent.streams) octets += s.wire_octets;
  return sent.sent_s > 0 ? octets * 8 / sent.sent_s : 0;
}

double StepReport::carried_bps() const {
  double octets = 0;
  for (const auto& s : received.streams) octets += s.wire_octets;
  return sent.sent_s > 0 ? octets * 8 / sent.sent_s : 0;
}

std::uint64_t StepReport::sent_packets() const {
  std::uint64_t packets = 0;
  for (const auto& s : sent.streams) packets += s.packets;
  return packets;
}

std::uint64_t StepReport::lost_of(std::size_t stream) const {
  const auto all = sent.streams.at(stream).packets;
  return all - std::min(all, received.streams.at(stream).packets);
}

std::uint64_t StepReport::lost_packets() const {
  std::uint64_t lost = 0;
  for (std::size_t i = 0; i < sent.streams.size(); ++i) lost += lost_of(i);
  return lost - std::min(lost, received.own_dropped_packets);
}

std::uint64_t StepReport::lost_key_packets() const {
  std::uint64_t lost = 0;
  for (std::size_t i = 0; i < sent.streams.size(); ++i)
    lost += sent.streams[i].key_packets - std::min(sent.streams[i].key_packets, received.streams.at(i).key_packets);
  return lost;
}

std::optional<double> StepReport::latest_ms() const {
  std::optional<double> out;
  for (const auto& s : received.streams)
    if (s.latest_ms) out = std::max(*s.latest_ms, out.value_or(0));
  return out;
}

std::vector<std::size_t> StepReport::lost_first() const {
  std::vector<std::size_t> out;
  for (std::size_t i = 0; i < sent.streams.size(); ++i)
    if (lost_of(i) > 0) out.push_back(i);
  // What was lost at a stream's very end shows no gap: it comes last.
  const auto when = [&](std::size_t i) { return received.streams[i].first_lost_s.value_or(HUGE_VAL); };
  std::stable_sort(out.begin(), out.end(), [&](auto a, auto b) { return when(a) < when(b); });
  return out;
}

double longest_rehearsal_s(const RehearsalRequest& request) {
  const Climb climb(request.climb);
  return static_cast<double>(climb.most_steps_left()) * (request.step_s() + overhead_s + std::chrono::duration<double>(request.rest).count());
}

asio::awaitable<Outcome<RehearsalReport>> rehearse(RehearsalRequest request, LiveWatch* watch, RehearsalProgress progress, Stop& stop) {
  Rehearsal work(std::move(request), watch, std::move(progress), stop);
  co_return co_await work.run();
}

}  // namespace tallywire::path
