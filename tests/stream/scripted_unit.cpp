#include "tests/stream/scripted_unit.hpp"

#include <boost/asio/write.hpp>

#include <algorithm>
#include <array>
#include <chrono>

namespace tallywire::test {

namespace asio = boost::asio;
using asio::ip::tcp;
using namespace std::chrono_literals;

namespace {

std::string cseq_of(const std::string& request) {
  const auto at = request.find("CSeq: ");
  return request.substr(at + 6, request.find('\r', at) - at - 6);
}

// One frame in one packet of 500 octets: NAL type 5 (IDR) or 1 (RFC 6184 §5.2), marker set (§5.1).
std::string packet(std::uint16_t sequence, std::uint32_t timestamp, bool key) {
  std::string out = {'$', 0, 2, 0, static_cast<char>(0x80), static_cast<char>(0x80 | 96)};
  out[2] = static_cast<char>((12 + 500) >> 8);
  out[3] = static_cast<char>((12 + 500) & 0xff);
  out += {static_cast<char>(sequence >> 8), static_cast<char>(sequence & 0xff)};
  for (const std::uint32_t word : {timestamp, 0x1234u})
    for (int shift = 24; shift >= 0; shift -= 8) out += static_cast<char>(word >> shift & 0xff);
  out += static_cast<char>(key ? 0x65 : 0x41);
  return out + std::string(499, 'p');
}

}  // namespace

ScriptedUnit::ScriptedUnit(UnitScript script)
    : script_(std::move(script)), acceptor_(context_, tcp::endpoint(asio::ip::address_v4::loopback(), 0)) {
  acceptor_.non_blocking(true);
  port_ = acceptor_.local_endpoint().port();
  thread_ = std::thread([this] {
    for (int number = 1; !over_;) {
      boost::system::error_code code;
      tcp::socket socket(context_);
      acceptor_.accept(socket, code);
      if (code)
        std::this_thread::sleep_for(2ms);
      else
        serve(std::move(socket), number++);
      if (number == 2 && script_.away_ms > 0) start_again();
      if (script_.most_connections >= 0 && number > script_.most_connections && acceptor_.is_open()) acceptor_.close(code);
    }
  });
}

ScriptedUnit::~ScriptedUnit() {
  over_ = true;
  thread_.join();
}

std::string ScriptedUnit::url() const {
  return "rtsp://127.0.0.1:" + std::to_string(port_) + "/head/1";
}

void ScriptedUnit::start_again() {
  acceptor_.close();
  std::this_thread::sleep_for(std::chrono::milliseconds(script_.away_ms));
  script_.away_ms = 0;
  const tcp::endpoint here(asio::ip::address_v4::loopback(), port_);
  acceptor_.open(here.protocol());
  acceptor_.set_option(tcp::acceptor::reuse_address(true));
  acceptor_.bind(here);
  acceptor_.listen();
  acceptor_.non_blocking(true);
}

void ScriptedUnit::note(const std::string& what) {
  const std::lock_guard lock(mutex_);
  asked_.push_back(what);
}

std::vector<std::string> ScriptedUnit::asked() const {
  const std::lock_guard lock(mutex_);
  return asked_;
}

int ScriptedUnit::count(const std::string& what) const {
  const auto all = asked();
  return static_cast<int>(std::count(all.begin(), all.end(), what));
}

void ScriptedUnit::answer(tcp::socket& socket, const std::string& request, const std::string& method) {
  const bool refused = method == script_.refuse_method;
  std::string out = std::string("RTSP/1.0 ") + (refused ? "500 Internal Server Error" : "200 OK") + "\r\nCSeq: " + cseq_of(request) + "\r\n";
  std::string body;
  if (method == "OPTIONS") out += "Public: OPTIONS, DESCRIBE, SETUP, PLAY, TEARDOWN, GET_PARAMETER\r\n";
  if (method == "DESCRIBE")
    body = "v=0\r\no=- 1 1 IN IP4 127.0.0.1\r\ns=-\r\nt=0 0\r\na=control:*\r\nm=video 0 RTP/AVP 96\r\n"
           "a=rtpmap:96 H264/90000\r\na=control:track1\r\n";
  if (method == "SETUP") out += "Transport: RTP/AVP/TCP;unicast;interleaved=0-1\r\n";
  if (method == "SETUP" || method == "PLAY") out += "Session: 12345678;timeout=" + std::to_string(script_.timeout_s) + "\r\n";
  if (!body.empty()) out += "Content-Type: application/sdp\r\nContent-Length: " + std::to_string(body.size()) + "\r\n";
  boost::system::error_code code;
  asio::write(socket, asio::buffer(out + "\r\n" + body), code);
}

void ScriptedUnit::serve(tcp::socket socket, int number) {
  const auto session = static_cast<std::size_t>(number - 1);
  const int most = session < script_.packets_before_break.size() ? script_.packets_before_break[session] : -1;
  socket.non_blocking(true);
  std::string held;
  bool playing = false;
  int sent = 0;
  while (!over_) {
    std::array<char, 4096> buffer;
    boost::system::error_code code;
    const auto count = socket.read_some(asio::buffer(buffer), code);
    if (code && code != asio::error::would_block) break;
    held.append(buffer.data(), count);
    while (!held.empty() && held[0] == '$' && held.size() >= 4) {  // a receiver report
      const auto size = 4u + (static_cast<unsigned char>(held[2]) << 8 | static_cast<unsigned char>(held[3]));
      if (held.size() < size) break;
      note(std::to_string(number) + " RTCP");
      held.erase(0, size);
    }
    if (const auto end = held.find("\r\n\r\n"); end != std::string::npos) {
      const auto request = held.substr(0, end + 4);
      held.erase(0, end + 4);
      const auto method = request.substr(0, request.find(' '));
      note(std::to_string(number) + " " + method);
      if (method == script_.hang_up_at) break;
      answer(socket, request, method);
      playing = playing || method == "PLAY";
      if (method == "TEARDOWN") break;
    }
    if (playing && (most < 0 || sent < most)) {
      asio::write(socket, asio::buffer(packet(sequence_, timestamp_, timestamp_ % 36000 == 0)), code);
      ++sequence_;
      timestamp_ += 3600;
      ++sent;
    } else if (playing && !script_.silent_instead) {
      break;
    }
    std::this_thread::sleep_for(5ms);
  }
}

}  // namespace tallywire::test
