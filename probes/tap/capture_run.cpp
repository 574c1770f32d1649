#include "probes/tap/capture_run.hpp"

#include "probes/tap/capture_file.hpp"

#include <array>
#include <chrono>

namespace tallywire::tap {
namespace {

constexpr std::uint64_t frames_between_looks = 1 << 14;
constexpr auto between_looks = std::chrono::milliseconds(100);

}  // namespace

Outcome<TapReport> tap_file(const std::string& path, TapSettings settings, const std::atomic<bool>& stop, const RunLook& look) {
  auto opened = CaptureFile::open(path, &stop);
  if (!opened) return opened.error();
  auto& file = **opened;
  Tap tap(std::move(settings), std::make_shared<Announcements>());
  auto looked = std::chrono::steady_clock::now();
  std::uint64_t next_look = frames_between_looks;
  for (;;) {
    const auto frames = file.next();
    if (frames.empty()) break;
    tap.add(frames);
    if (file.frames() < next_look) continue;
    next_look = file.frames() + frames_between_looks;
    if (stop.load(std::memory_order_relaxed)) break;
    const auto now = std::chrono::steady_clock::now();
    if (now - looked < between_looks) continue;
    looked = now;
    if (look) look(file.octets_read(), file.octets_in_all(), tap);
  }
  tap.finish();
  CaptureFacts facts;
  facts.source = path;
  facts.format = file.format();
  facts.loss = file.loss();
  facts.loss_known = file.tells_loss();
  if (file.damage()) facts.damage = file.damage()->sentence();
  facts.stopped = stop.load();
  facts.unknown_links = file.unknown_links();
  const std::array<const Tap*, 1> taps{&tap};
  return report_of(taps, std::move(facts));
}

}  // namespace tallywire::tap
