#include "probes/tap/live_tap.hpp"

#include "probes/tap/capture_handle.hpp"
#include "probes/tap/fanout.hpp"

#include <pcap/pcap.h>
#include <poll.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstring>

namespace tallywire::tap {
namespace {

constexpr int look_again_ms = 200;
constexpr int frames_between_locks = 4096;

int threads_by_cores() {
  const auto cores = static_cast<int>(std::thread::hardware_concurrency());
  return std::clamp(cores - 1, 1, LiveTap::most_threads);
}

}  // namespace

struct LiveTap::Lane {
  Capture capture;
  std::mutex mutex;  // of the tap: held for a block of frames at a time
  std::unique_ptr<Tap> tap;
  std::thread thread;
  std::atomic<bool> broken{false};
  std::atomic<std::uint64_t> dropped{0}, dropped_by_interface{0};
  wire::LinkLayer link = wire::LinkLayer::ethernet;
  SystemTime begin{};  // what was caught before all lanes shared would count twice
  bool young = true;   // such frames may still come; later, one from before is of a clock that was set back
  std::string failure;  // an exception must not pass through libpcap

  static void take(u_char* user, const pcap_pkthdr* head, const u_char* octets) {
    auto& lane = *reinterpret_cast<Lane*>(user);
    const SystemTime when(std::chrono::seconds(head->ts.tv_sec) + std::chrono::nanoseconds(head->ts.tv_usec));
    if (lane.young && when < lane.begin) return;
    const CapturedFrame frame{{octets, head->caplen}, head->len, lane.link, when};
    try {
      lane.tap->add({&frame, 1});
    } catch (const std::exception& e) {
      lane.failure = e.what();
      pcap_breakloop(lane.capture.get());
    }
  }
  // With the lock held.
  void read_losses() {
    pcap_stat stat{};
    if (!capture || pcap_stats(capture.get(), &stat) != 0) return;
    dropped = stat.ps_drop;
    dropped_by_interface = stat.ps_ifdrop;
  }
};

LiveTap::LiveTap(std::string interface, TapSettings settings) : interface_(std::move(interface)), settings_(std::move(settings)) {}

Outcome<std::unique_ptr<LiveTap>> LiveTap::open(const std::string& interface, TapSettings settings, int threads) {
  std::unique_ptr<LiveTap> out(new LiveTap(interface, std::move(settings)));
  out->wake_ = ::eventfd(0, EFD_CLOEXEC);
  if (out->wake_ < 0) return capture_fault(interface, std::strerror(errno));
  const int count = std::clamp(threads == 0 ? threads_by_cores() : threads, 1, most_threads);
  const auto announcements = std::make_shared<Announcements>();
  for (int i = 0; i < count; ++i) {
    out->lanes_.push_back(std::make_unique<Lane>());
    out->lanes_.back()->tap = std::make_unique<Tap>(out->settings_, announcements);
  }
  if (auto opened = out->open_lanes(); !opened) return opened.error();
  out->supervisor_ = std::thread([tap = out.get()] { tap->supervise(); });
  return out;
}

LiveTap::~LiveTap() {
  if (wake_ >= 0) {
    const std::uint64_t one = 1;
    [[maybe_unused]] const auto written = ::write(wake_, &one, sizeof one);
  }
  if (supervisor_.joinable()) supervisor_.join();
  close_lanes();
  if (wake_ >= 0) ::close(wake_);
}

Outcome<void> LiveTap::open_lanes() {
  std::vector<int> sockets;
  for (auto& lane : lanes_) {
    auto opened = open_capture(interface_);
    if (!opened) return opened.error();
    lane->capture = std::move(*opened);
    lane->link = wire::link_layer_of(static_cast<std::uint32_t>(pcap_datalink(lane->capture.get())));
    sockets.push_back(pcap_fileno(lane->capture.get()));
  }
  if (const int failed = share_by_addresses(sockets))
    return capture_fault(interface_, std::string("its threads cannot share the load: ") + std::strerror(failed));
  const auto now = now_utc();
  for (auto& lane : lanes_) {
    lane->begin = now;
    lane->young = true;
    lane->failure.clear();
    lane->broken = false;
    lane->dropped = lane->dropped_by_interface = 0;
    lane->thread = std::thread([this, l = lane.get()] { capture(*l); });
  }
  return {};
}

// Joins the capture threads, which have been told or have broken, and keeps what their captures had lost.
void LiveTap::close_lanes() {
  for (auto& lane : lanes_) {
    if (lane->thread.joinable()) lane->thread.join();
    lane->read_losses();
  }
  const auto now_lost = loss_in_all();
  const std::lock_guard lock(state_mutex_);
  for (auto& lane : lanes_) {
    lane->capture.reset();
    lane->dropped = lane->dropped_by_interface = 0;
  }
  lost_before_ = now_lost;
}

void LiveTap::capture(Lane& lane) {
  auto* capture = lane.capture.get();
  pollfd waits[] = {{pcap_get_selectable_fd(capture), POLLIN, 0}, {wake_, POLLIN, 0}};
  const auto opened = std::chrono::steady_clock::now();
  auto counted = opened;
  for (;;) {
    const int ready = ::poll(waits, 2, look_again_ms);
    if (waits[1].revents || lane.broken) return;
    // Also when poll() saw nothing: it looks at whole blocks of the ring, and one may be there in part.
    int got = 0;
    {
      const std::lock_guard lock(lane.mutex);
      got = pcap_dispatch(capture, frames_between_locks, &Lane::take, reinterpret_cast<u_char*>(&lane));
      const auto now = std::chrono::steady_clock::now();
      lane.young = lane.young && now - opened < std::chrono::seconds(1);
      if (now - counted > std::chrono::milliseconds(look_again_ms) || ready <= 0) {
        counted = now;
        lane.read_losses();
      }
    }
    const bool silent = ready <= 0 && !why_away(interface_).empty();
    if (got < 0 || silent || !lane.failure.empty() || (waits[0].revents & (POLLERR | POLLHUP))) {
      lane.broken = true;
      return;
    }
  }
}

// False when the tap is to end.
bool LiveTap::pause(int milliseconds) {
  pollfd ended{wake_, POLLIN, 0};
  return ::poll(&ended, 1, milliseconds) <= 0;
}

void LiveTap::supervise() {
  const auto tell = [this](std::string why) {
    const std::lock_guard lock(state_mutex_);
    away_ = std::move(why);
  };
  while (pause(look_again_ms)) {
    const auto broken = [](const auto& lane) { return lane->broken.load(); };
    if (std::none_of(lanes_.begin(), lanes_.end(), broken)) continue;
    // One that broke ends all: they share.
    auto why = why_away(interface_);
    for (auto& lane : lanes_) lane->broken = true;
    close_lanes();
    for (const auto& lane : lanes_)
      if (why.empty() && !lane->failure.empty()) why = lane->failure;
    tell(why.empty() ? "the capture broke off" : why);
    for (auto& lane : lanes_) {
      const std::lock_guard lock(lane->mutex);
      lane->tap->interrupt();
    }
    for (bool open = false; !open;) {
      if (!pause(look_again_ms)) return;
      why = why_away(interface_);
      if (!why.empty()) {
        tell(why);
        continue;
      }
      try {
        const auto opened = open_lanes();
        open = opened.has_value();
        if (!open) tell(opened.error().what);
      } catch (const std::exception& e) {  // no memory, no thread: it is tried again
        for (auto& lane : lanes_) lane->broken = true;
        close_lanes();
        tell(e.what());
      }
    }
    tell("");
  }
}

CaptureLoss LiveTap::loss() {
  auto out = loss_in_all();
  const std::lock_guard lock(state_mutex_);
  out.by_kernel -= std::min(out.by_kernel, loss_reported_.by_kernel);
  out.by_interface -= std::min(out.by_interface, loss_reported_.by_interface);
  return out;
}

CaptureLoss LiveTap::loss_in_all() {
  const std::lock_guard lock(state_mutex_);
  auto out = lost_before_;
  // Each socket counts its own drops; what the card dropped is told by each alike.
  std::uint64_t by_interface = 0;
  for (const auto& lane : lanes_) {
    out.by_kernel += lane->dropped;
    by_interface = std::max(by_interface, lane->dropped_by_interface.load());
  }
  out.by_interface += by_interface;
  return out;
}

std::size_t LiveTap::streams() {
  std::size_t out = 0;
  for (auto& lane : lanes_) {
    const std::lock_guard lock(lane->mutex);
    out += lane->tap->streams_heard();
  }
  return out;
}

TapReport LiveTap::report() { return report(false); }

TapReport LiveTap::report(bool begin_anew) {
  CaptureFacts facts;
  facts.source = interface_;
  facts.format = "live";
  facts.loss_known = true;
  facts.threads = static_cast<int>(lanes_.size());
  std::vector<const Tap*> taps;
  std::vector<std::unique_lock<std::mutex>> locks;
  for (auto& lane : lanes_) {
    locks.emplace_back(lane->mutex);
    lane->read_losses();
    lane->tap->settle();
    taps.push_back(lane->tap.get());
  }
  facts.loss = loss();
  facts.loss_just_before = loss_just_before_;
  facts.away = away().value_or("");
  auto out = report_of(taps, std::move(facts));
  // Under the same locks: no frame falls between two reports.
  if (begin_anew)
    for (auto& lane : lanes_) lane->tap->begin_anew();
  return out;
}

TapReport LiveTap::take_report() {
  auto out = report(true);
  const std::lock_guard lock(state_mutex_);
  loss_reported_.by_kernel += out.capture.loss.by_kernel;
  loss_reported_.by_interface += out.capture.loss.by_interface;
  loss_just_before_ = out.capture.loss;
  looked_at_ = std::chrono::steady_clock::now();  // rates of the live table begin anew with the meters
  return out;
}

std::vector<LiveRow> LiveTap::heaviest(std::size_t most, std::size_t& streams) {
  double seconds = 0;
  {
    const std::lock_guard lock(state_mutex_);
    const auto now = std::chrono::steady_clock::now();
    if (looked_at_ != decltype(looked_at_){}) seconds = std::chrono::duration<double>(now - looked_at_).count();
    looked_at_ = now;
  }
  const auto lost = loss();
  std::vector<LiveRow> out;
  streams = 0;
  for (auto& lane : lanes_) {
    const std::lock_guard lock(lane->mutex);
    lane->tap->settle();
    streams += lane->tap->streams_heard();
    for (auto& [source, octets] : lane->tap->heaviest(most)) {
      LiveRow row;
      row.stream = describe(*source, lost);
      row.wire_bps = seconds > 0 ? octets * 8 / seconds : row.stream.report.wire_bps.value_or(0);
      out.push_back(std::move(row));
    }
  }
  std::stable_sort(out.begin(), out.end(), [](const LiveRow& a, const LiveRow& b) { return a.wire_bps > b.wire_bps; });
  if (out.size() > most) out.resize(most);
  return out;
}

std::optional<std::string> LiveTap::away() const {
  const std::lock_guard lock(state_mutex_);
  return away_.empty() ? std::nullopt : std::optional(away_);
}

}  // namespace tallywire::tap
