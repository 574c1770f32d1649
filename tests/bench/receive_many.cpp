// receive_many ADDRESS PORT STREAMS tcp|udp|multicast SECONDS [WALK_IN_S [RTSP_VERSION]]: meters N streams at once as
// tallywired does: one thread, one io_context, one receive_stream() each. Prints "playing" when all have begun; after the
// walk-in it measures its own CPU time over SECONDS; then it stops them all, and prints what each one read, as JSON.
#include "probes/stop.hpp"
#include "probes/stream/receiver.hpp"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/steady_timer.hpp>
#include <nlohmann/json.hpp>
#include <sys/resource.h>

#include <cstdio>
#include <fstream>
#include <memory>
#include <string>
#include <vector>

using namespace tallywire;
using namespace std::chrono_literals;
using nlohmann::json;
using Clock = std::chrono::steady_clock;

namespace {

constexpr auto begin_limit = 60s;

double cpu_s() {
  rusage usage{};
  ::getrusage(RUSAGE_SELF, &usage);
  const auto seconds = [](const timeval& t) {
    return static_cast<double>(t.tv_sec) + static_cast<double>(t.tv_usec) / 1e6;
  };
  return seconds(usage.ru_utime) + seconds(usage.ru_stime);
}

// "VmHWM:   1234 kB" of proc(5): the most memory that was ever resident.
double most_memory_mib() {
  std::ifstream status("/proc/self/status");
  for (std::string word; status >> word;)
    if (word == "VmHWM:" && status >> word) return std::stod(word) / 1024;
  return 0;
}

struct Run {
  boost::asio::io_context context{1};
  Stop stop;
  std::chrono::seconds measure{10};
  std::chrono::seconds walk_in{3};
  std::vector<char> begun;
  std::size_t begun_count = 0;
  std::vector<stream::ReceiveResult> results;
  std::size_t ended = 0;
  double cpu_used_s = 0;
  double measured_s = 0;
};

stream::StreamProgress progress_of(Run& run, std::size_t index) {
  return [&run, index](double, double) {
    if (run.begun[index] != 0) return;
    run.begun[index] = 1;
    ++run.begun_count;
  };
}

boost::asio::awaitable<void> receive_one(Run& run, std::size_t index, stream::StreamRequest request) {
  auto progress = progress_of(run, index);
  auto result = co_await stream::receive_stream(std::move(request), std::move(progress), run.stop);
  run.results[index] = std::move(result);
  ++run.ended;
}

boost::asio::awaitable<void> sleep_for(Run& run, Clock::duration time) {
  boost::asio::steady_timer timer(run.context, time);
  co_await timer.async_wait(boost::asio::use_awaitable);
}

boost::asio::awaitable<void> measure(Run& run) {
  const auto end = Clock::now() + begin_limit;
  while (run.begun_count + run.ended < run.begun.size() && Clock::now() < end) co_await sleep_for(run, 50ms);
  std::puts("playing");
  std::fflush(stdout);
  co_await sleep_for(run, run.walk_in);
  const double before = cpu_s();
  const auto begin = Clock::now();
  co_await sleep_for(run, run.measure);
  run.cpu_used_s = cpu_s() - before;
  run.measured_s = std::chrono::duration<double>(Clock::now() - begin).count();
  run.stop.request();
}

void rethrow(std::exception_ptr failure) {
  if (failure) std::rethrow_exception(failure);
}

json report(const Run& run) {
  json faults = json::array(), findings = json::array(), per_stream = json::array();
  std::int64_t packets = 0, lost = 0;
  for (const auto& result : run.results) {
    packets += result.report.packets.value_or(0);
    lost += result.report.lost_packets.value_or(0);
    per_stream.push_back(result.report.packets.value_or(0));
    if (result.fault) faults.push_back(result.fault->sentence());
    for (const auto& finding : result.report.findings) findings.push_back(finding);
  }
  return {{"packets", packets}, {"lost", lost}, {"begun", run.begun_count}, {"cpu_s", run.cpu_used_s},
          {"measured_s", run.measured_s}, {"memory_mib", most_memory_mib()}, {"faults", faults},
          {"findings", findings}, {"per_stream", per_stream}};
}

}  // namespace

int main(int count, char** words) {
  if (count < 6) {
    std::fputs("receive_many ADDRESS PORT STREAMS tcp|udp|multicast SECONDS [WALK_IN_S [RTSP_VERSION]]\n", stderr);
    return 2;
  }
  rlimit files{};
  ::getrlimit(RLIMIT_NOFILE, &files);
  files.rlim_cur = files.rlim_max;
  ::setrlimit(RLIMIT_NOFILE, &files);
  Run run;
  const auto streams = static_cast<std::size_t>(std::stoul(words[3]));
  run.measure = std::chrono::seconds(std::stoi(words[5]));
  if (count > 6) run.walk_in = std::chrono::seconds(std::stoi(words[6]));
  run.begun.resize(streams);
  run.results.resize(streams);
  for (std::size_t i = 0; i < streams; ++i) {
    stream::StreamRequest request;
    request.url = std::string("rtsp://") + words[1] + ":" + words[2] + "/" + std::to_string(i);
    request.transport = stream::transport_of(words[4]).value();
    if (count > 7) request.version = words[7][0] == '2' ? wire::RtspVersion::v2 : wire::RtspVersion::v1;
    request.duration = 10min;
    request.answer_limit = 20s;
    boost::asio::co_spawn(run.context, receive_one(run, i, std::move(request)), rethrow);
  }
  boost::asio::co_spawn(run.context, measure(run), rethrow);
  run.context.run();
  std::puts(report(run).dump().c_str());
}
