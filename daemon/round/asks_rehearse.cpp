// The answer of `rehearse`.
#include "daemon/round/ask_parts.hpp"
#include "daemon/round/rehearsal_answer.hpp"
#include "daemon/round/rehearsal_watch.hpp"
#include "daemon/verdict/rehearsal.hpp"
#include "probes/deadline.hpp"

#include <cmath>
#include <random>

namespace tallywire::round {

namespace asio = boost::asio;
using nlohmann::json;

namespace {

struct Order {
  path::RehearsalRequest request;
  RehearsalContext context;
};

Fault wrong(const std::string& what, const std::string& right = "") { return {FaultKind::bad_request, what, "", right}; }

// Streams that are given by number.
Outcome<std::vector<path::MadeUpStream>> numbered(const json& arguments, const MakeUp& make_up) {
  const double count = number(arguments, "streams", 0), mbps = number(arguments, "mbps", 4);
  const double fps = number(arguments, "fps", 25), gop = number(arguments, "gop", std::round(2 * fps));
  if (count < 1 || count > static_cast<double>(path::most_rehearsed_streams) || count != std::floor(count))
    return wrong("so many streams cannot be made up", "1 to 2000, a whole number");
  if (gop < 1 || gop > 100'000 || gop != std::floor(gop)) return wrong("a GOP has a whole number of frames, 1 or more");
  std::vector<path::MadeUpStream> out(static_cast<std::size_t>(count));
  for (std::size_t i = 0; i < out.size(); ++i) {
    out[i].name = std::to_string(i + 1);
    out[i].frame_rate_hz = fps;
    out[i].gop_frames = static_cast<int>(gop);
    out[i].payload_bps = mbps * 1e6 * make_up.scale;
    out[i].key_ratio = make_up.key_ratio;
    out[i].link_bps = make_up.link_bps.value_or(out[i].link_bps);
    out[i].unit = i;
  }
  return out;
}

// A small whole number, so that it can be typed again.
std::uint64_t drawn_seed() { return std::random_device()() % 1'000'000; }

Outcome<MakeUp> make_up_of(const json& arguments) {
  MakeUp out;
  out.scale = number(arguments, "scale", 1);
  out.key_ratio = number(arguments, "key_ratio", path::usual_key_ratio);
  out.switch_id = word(arguments, "switch");
  if (arguments.contains("link_mbps")) out.link_bps = number(arguments, "link_mbps", 0) * 1e6;
  if (!(out.scale >= 0.01) || out.scale > 100) return wrong("the scale of the bit rates is out of range", "0.01 to 100");
  return out;
}

Outcome<Order> order_of(const json& arguments, const config::Design* design) {
  Order out;
  auto make_up = make_up_of(arguments);
  if (!make_up) return make_up.error();
  auto& context = out.context;
  context.make_up = *make_up;
  context.host = word(arguments, "host");
  const bool by_number = arguments.contains("streams");
  if (by_number && !make_up->switch_id.empty()) return wrong("streams given by number hang at no switch", "leave out one of the two");
  if (!by_number && !design) return wrong("which streams are to be made up?", "give --streams N --mbps M, or a design");
  if (!by_number) {
    for (const char* key : {"mbps", "fps", "gop"})
      if (arguments.contains(key)) return wrong(std::string("the design says what its streams are: “") + key + "” belongs to streams given by number");
    if (!make_up->switch_id.empty() && !design->find_switch(make_up->switch_id)) return wrong("the design knows no switch “" + make_up->switch_id + "”");
    context.design = design;
    context.from = !make_up->switch_id.empty() ? make_up->switch_id : design->entry_switch.value_or("");
  }
  auto streams = by_number ? numbered(arguments, *make_up) : Outcome<std::vector<path::MadeUpStream>>(made_up_of(*design, *make_up));
  if (!streams) return streams.error();
  const auto phases = word(arguments, "phases", "random");
  if (phases != "random" && phases != "together") return wrong("there are no phases “" + phases + "”", "random or together");
  const double seed = number(arguments, "seed", -1);
  if (arguments.contains("seed") && (seed < 0 || seed > 1e15 || seed != std::floor(seed))) return wrong("the seed must be a whole number from 0 on");
  auto plan = path::plan_rehearsal(std::move(*streams), phases == "together" ? path::RehearsalPhases::together : path::RehearsalPhases::random,
                                   seed >= 0 ? static_cast<std::uint64_t>(seed) : drawn_seed());
  if (!plan) return plan.error();
  auto& request = out.request;
  request.plan = std::move(*plan);
  const double gops = number(arguments, "step_gops", 2);
  if (gops < 1 || gops > 20 || gops != std::floor(gops)) return wrong("a step lasts a whole number of GOPs", "1 to 20");
  request.step_gops = context.step_gops = static_cast<int>(gops);
  const double reserve = design ? design->limits.uplink_reserve_ratio : config::Limits().uplink_reserve_ratio;
  constexpr double a_little = 1e-6;  // so that what was carried with its reserve is not held to be inside of it by a rounding
  request.climb.most_scale = number(arguments, "most_scale", 1 + reserve + a_little);
  if (!(request.climb.most_scale >= 0.01) || request.climb.most_scale > 10)
    return wrong("the highest load is out of range", "0.01 to 10 times what is asked for");
  context.live = arguments.value("live", context.design != nullptr);
  request.climb.refine = !context.live;
  constexpr double most_s = 3600;
  if (path::longest_rehearsal_s(request) > most_s) return wrong("it would take more than an hour", "fewer GOPs in a step");
  return out;
}

}  // namespace

asio::awaitable<AskAnswer> Asks::rehearse(json arguments, AskProgress progress, Stop& stop) {
  const auto secret = word(arguments, "key");
  const auto key = secrets_.key(secret);
  if (!key) co_return failed(no_secret(secret));
  const double port = number(arguments, "tcp_port", 7861);
  if (port_is_wrong(port)) co_return failed({FaultKind::bad_request, "there is no such TCP port", "", "1 to 65535"});
  auto order = order_of(arguments, design_);
  if (!order) co_return failed(order.error());
  order->request.far_end = {word(arguments, "host"), static_cast<std::uint16_t>(port), *key};
  const double total_s = path::longest_rehearsal_s(order->request);
  if (progress) progress(0, total_s, "takes about " + figure(std::ceil(total_s)) + " s");
  RehearsalWatch watch(blocking_, order->request.far_end);
  if (order->context.live && order->context.design) {
    const auto to = verdict::node_at(*design_, order->context.host);
    if (!order->context.from.empty() && !to.empty())
      watch.watch_switches(*design_, verdict::uplinks_between(*design_, order->context.from, to), secrets_);
  }
  if (order->context.live) co_await watch.begin(stop);
  const auto plan = order->request.plan;
  path::RehearsalProgress on_time = progress;
  auto report = co_await path::rehearse(std::move(order->request), order->context.live ? &watch : nullptr, std::move(on_time), stop);
  co_await watch.end();
  if (!report) co_return failed(report.error());
  auto context = order->context;
  context.unread = watch.unread();
  std::function<json()> reckon = [&plan, &report, &context] { return rehearsal_answer(plan, *report, context, now_utc()); };
  auto answer = co_await offload<json>(blocking_, std::move(reckon));
  const int code = answer.at("exit_code").get<int>();
  AskAnswer out{std::move(answer), code};
  co_return out;
}

}  // namespace tallywire::round
