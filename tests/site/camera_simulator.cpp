// camera_simulator FILE: one camera of the demo site, as the JSON file says; runs until it is ended.
#include "tests/site/camera.hpp"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/signal_set.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <nlohmann/json.hpp>

#include <cstdio>
#include <fstream>
#include <vector>

using namespace tallywire::site;
namespace asio = boost::asio;

namespace {

Camera read_camera(const char* path) {
  std::ifstream in(path);
  const auto json = nlohmann::json::parse(in);
  Camera out;
  out.address = json.at("address");
  out.user = json.value("user", "");
  out.password = json.value("password", "");
  out.serial = json.value("serial", "");
  out.firmware = json.value("firmware", "1.0");
  out.rtsp_port = json.value("rtsp_port", 554);
  out.onvif_port = json.value("onvif_port", 80);
  out.clock_offset_s = json.value("clock_offset_s", 0.0);
  out.speech = json.value("speech", "whole");
  out.media_version = json.value("media_version", 2);
  int index = 0;
  for (const auto& s : json.value("streams", nlohmann::json::array())) {
    StreamPlan plan;
    plan.path = s.at("path");
    plan.h265 = s.at("codec") == "H265";
    plan.file = s.at("file");
    plan.frame_rate_hz = s.at("frame_rate_hz");
    plan.bit_rate_bps = s.at("bit_rate_bps");
    plan.gop_frames = s.at("gop_frames");
    plan.base_port = 6000 + 10 * index++;
    out.streams.push_back(plan);
    out.offers.push_back({s.value("head", "1"), s.value("width_px", 0), s.value("height_px", 0),
                          s.value("told_frame_rate_hz", plan.frame_rate_hz), s.value("told_gop_frames", plan.gop_frames)});
  }
  return out;
}

// A unit that hangs: its system takes every connection, its programs never answer.
asio::awaitable<void> accept_and_be_silent(std::string address, int port) {
  auto executor = co_await asio::this_coro::executor;
  const asio::ip::tcp::endpoint endpoint(asio::ip::make_address(address), static_cast<std::uint16_t>(port));
  asio::ip::tcp::acceptor acceptor(executor, endpoint);
  std::vector<asio::ip::tcp::socket> held;
  for (;;) held.push_back(co_await acceptor.async_accept(asio::use_awaitable));
}

}  // namespace

int main(int argc, char** argv) {
  if (argc != 2) {
    std::fputs("camera_simulator FILE\n", stderr);
    return 2;
  }
  try {
    const Camera camera = read_camera(argv[1]);
    for (const auto& plan : camera.streams) Clip{plan};  // a clip that cannot be used is told now
    asio::io_context context(1);
    const auto ended = [](std::exception_ptr failure) {
      if (failure) std::rethrow_exception(failure);
    };
    asio::co_spawn(context, announce(camera), ended);
    if (camera.speech == "silent") {
      asio::co_spawn(context, accept_and_be_silent(camera.address, camera.rtsp_port), ended);
      asio::co_spawn(context, accept_and_be_silent(camera.address, camera.onvif_port), ended);
    } else if (camera.speech == "whole") {
      asio::co_spawn(context, serve_rtsp(camera), ended);
      asio::co_spawn(context, serve_onvif(camera), ended);
    }
    asio::signal_set signals(context, SIGINT, SIGTERM);
    signals.async_wait([&context](const boost::system::error_code&, int) { context.stop(); });
    context.run();
  } catch (const std::exception& e) {
    std::fprintf(stderr, "camera_simulator %s: %s\n", argv[1], e.what());
    return 1;
  }
}
