// One simulated camera: what it serves and who may come in.
#pragma once

#include "tests/site/clip.hpp"

#include <boost/asio/awaitable.hpp>
#include <boost/asio/io_context.hpp>

#include <string>
#include <vector>

namespace tallywire::site {

// What ONVIF tells of a stream beside its plan.
struct StreamOffer {
  std::string head;
  int width_px = 0, height_px = 0;
  double frame_rate_hz = 0;     // what the unit says; a fault may send another
  int gop_frames = 0;
};

struct Camera {
  std::string address;
  std::string interface = "eth0";
  std::string user, password;   // no user: whoever asks is answered
  std::string serial;
  std::string firmware = "1.0";
  int rtsp_port = 554;
  int onvif_port = 80;
  double clock_offset_s = 0;
  std::string speech = "whole"; // "silent": accepts and says nothing; "closed": only announces itself
  int media_version = 2;        // ONVIF media service: 2, or 1 alone
  std::vector<StreamPlan> streams;
  std::vector<StreamOffer> offers;  // one a stream
};

// Probes and announces the address as RFC 5227 lays down, with shorter pauses.
boost::asio::awaitable<void> announce(const Camera& camera);
boost::asio::awaitable<void> serve_rtsp(const Camera& camera);
boost::asio::awaitable<void> serve_onvif(const Camera& camera);

}  // namespace tallywire::site
