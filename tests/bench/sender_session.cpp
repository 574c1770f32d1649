#include "tests/bench/sender_session.hpp"

#include <netinet/udp.h>
#include <sys/socket.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <charconv>
#include <cmath>
#include <cstdio>
#include <cstring>

namespace tallywire::bench {

namespace {

constexpr std::size_t most_input = 256 * 1024;
constexpr double golden_ratio = 0.6180339887498949;

FrameShape& shape_of(bool key, bool interleaved) {
  static std::array<FrameShape, 4> shapes = {FrameShape(false, false), FrameShape(true, false),
                                             FrameShape(false, true), FrameShape(true, true)};
  return shapes[(key ? 1U : 0U) + (interleaved ? 2U : 0U)];
}

// rtsp://HOST:PORT/NUMBER[/track]
int number_in(const std::string& url) {
  const auto host = url.find("://");
  const auto path = url.find('/', host == std::string::npos ? 0 : host + 3);
  int number = 0;
  if (path != std::string::npos) std::from_chars(url.data() + path + 1, url.data() + url.size(), number);
  return number;
}

// One call for a stretch of packets of one length; the kernel makes each of them a datagram of its own.
bool send_run(int fd, const sockaddr_in& to, std::span<const std::uint8_t> octets) {
  sockaddr_in address = to;
  iovec part{const_cast<std::uint8_t*>(octets.data()), octets.size()};
  msghdr message{};
  message.msg_name = &address;
  message.msg_namelen = sizeof address;
  message.msg_iov = &part;
  message.msg_iovlen = 1;
  alignas(cmsghdr) std::array<char, CMSG_SPACE(sizeof(std::uint16_t))> control{};
  if (octets.size() > packet_octets) {
    message.msg_control = control.data();
    message.msg_controllen = control.size();
    auto* header = CMSG_FIRSTHDR(&message);
    header->cmsg_level = SOL_UDP;
    header->cmsg_type = UDP_SEGMENT;
    header->cmsg_len = CMSG_LEN(sizeof(std::uint16_t));
    const auto length = static_cast<std::uint16_t>(packet_octets);
    std::memcpy(CMSG_DATA(header), &length, sizeof length);
  }
  return ::sendmsg(fd, &message, MSG_DONTWAIT) >= 0;
}

}  // namespace

SenderSession::SenderSession(int fd, std::string own_address, const MediaPorts& ports, std::uint64_t frame_limit)
    : fd_(fd), own_address_(std::move(own_address)), ports_(ports), frame_limit_(frame_limit) {
  socklen_t size = sizeof viewer_;
  ::getpeername(fd_, reinterpret_cast<sockaddr*>(&viewer_), &size);
}

SenderSession::~SenderSession() { ::close(fd_); }

int SenderSession::offset_ms() const {
  const double turns = counts_.stream * golden_ratio;
  return static_cast<int>((turns - std::floor(turns)) * 1000);
}

bool SenderSession::take_input() {
  std::array<std::uint8_t, 16384> octets;
  for (;;) {
    const auto got = ::recv(fd_, octets.data(), octets.size(), MSG_DONTWAIT);
    if (got == 0 || (got < 0 && errno != EAGAIN)) return false;
    if (got < 0) break;
    input_.insert(input_.end(), octets.begin(), octets.begin() + got);
    if (input_.size() > most_input) return false;
  }
  std::size_t taken = 0;
  while (taken < input_.size()) {
    const auto item = wire::parse_rtsp(wire::Octets(input_).subspan(taken));
    if (item.what == wire::ParsedRtsp::What::malformed) return false;
    if (item.what == wire::ParsedRtsp::What::need_more) break;
    taken += item.consumed;
    if (item.what != wire::ParsedRtsp::What::message || item.message.method.empty()) continue;
    const auto text = answer(item.message);
    write(std::span(reinterpret_cast<const std::uint8_t*>(text.data()), text.size()));
    if (item.message.method == "TEARDOWN") playing_ = false;
  }
  input_.erase(input_.begin(), input_.begin() + static_cast<std::ptrdiff_t>(taken));
  return !broken_;
}

std::string SenderSession::answer(const wire::RtspMessage& request) {
  const auto begin = [&request](const char* status) {
    return std::string("RTSP/1.0 ") + status + "\r\nCSeq: " + request.header("cseq") + "\r\n";
  };
  const auto session = "Session: " + std::to_string(10'000'000 + counts_.stream) + ";timeout=60\r\n";
  if (request.method == "OPTIONS")
    return begin("200 OK") + "Public: OPTIONS, DESCRIBE, SETUP, PLAY, GET_PARAMETER, TEARDOWN\r\n\r\n";
  if (request.method == "DESCRIBE") {
    const auto body = describe_shape(own_address_);
    return begin("200 OK") + "Content-Base: " + request.target + "/\r\nContent-Type: application/sdp\r\n" +
           "Content-Length: " + std::to_string(body.size()) + "\r\n\r\n" + body;
  }
  if (request.method == "SETUP") {
    counts_.stream = number_in(request.target);
    const auto granted = grant_transport(request);
    if (granted.empty()) return begin("461 Unsupported Transport") + "\r\n";
    has_transport_ = true;
    return begin("200 OK") + "Session: " + std::to_string(10'000'000 + counts_.stream) + ";timeout=60\r\nTransport: " +
           granted + "\r\n\r\n";
  }
  if (request.method == "PLAY") {
    if (!has_transport_) return begin("455 Method Not Valid in This State") + "\r\n";
    playing_ = true;
    stamp_.ssrc = 0x5e000000U + static_cast<std::uint32_t>(counts_.stream);
    // Near the wrap, so that each run crosses it.
    stamp_.sequence = static_cast<std::uint16_t>(65000 + counts_.stream);
    stamp_.rtp_time = 0xffff0000U;
    return begin("200 OK") + session + "RTP-Info: url=" + request.target + ";seq=" + std::to_string(stamp_.sequence) +
           ";rtptime=" + std::to_string(stamp_.rtp_time) + "\r\nRange: npt=0-\r\n\r\n";
  }
  if (request.method == "GET_PARAMETER" || request.method == "TEARDOWN") return begin("200 OK") + session + "\r\n";
  return begin("501 Not Implemented") + "\r\n";
}

std::string SenderSession::grant_transport(const wire::RtspMessage& request) {
  const auto offers = wire::decode_transport(request.header("transport"));
  if (!offers) return {};
  for (const auto& offer : *offers) {
    if (offer.multicast) continue;
    counts_.tcp = offer.tcp;
    if (offer.tcp) {
      const int channel = offer.rtp_channel < 0 ? 0 : offer.rtp_channel;
      stamp_.channel = static_cast<std::uint8_t>(channel);
      return "RTP/AVP/TCP;unicast;interleaved=" + std::to_string(channel) + "-" + std::to_string(channel + 1);
    }
    if (offer.client_rtp == 0) continue;
    viewer_.sin_port = htons(static_cast<std::uint16_t>(offer.client_rtp));
    return "RTP/AVP;unicast;client_port=" + std::to_string(offer.client_rtp) + "-" +
           std::to_string(offer.client_rtcp) + ";server_port=" + std::to_string(ports_.rtp_port) + "-" +
           std::to_string(ports_.rtp_port + 1);
  }
  return {};
}

void SenderSession::write(std::span<const std::uint8_t> octets) {
  std::size_t sent = 0;
  if (held_.empty()) {
    const auto done = ::send(fd_, octets.data(), octets.size(), MSG_DONTWAIT | MSG_NOSIGNAL);
    if (done < 0 && errno != EAGAIN) broken_ = true;
    if (done > 0) sent = static_cast<std::size_t>(done);
  }
  held_.insert(held_.end(), octets.begin() + static_cast<std::ptrdiff_t>(sent), octets.end());
}

bool SenderSession::flush() {
  if (held_.empty()) return !broken_;
  const auto done = ::send(fd_, held_.data(), held_.size(), MSG_DONTWAIT | MSG_NOSIGNAL);
  if (done < 0 && errno != EAGAIN) broken_ = true;
  if (done > 0) held_.erase(held_.begin(), held_.begin() + done);
  return !broken_;
}

// Answers how many packets were not taken.
std::uint64_t SenderSession::send_by_udp(const FrameShape& shape, const std::vector<std::uint8_t>& octets) {
  std::uint64_t unsent = 0;
  for (const auto& [begin, length] : shape.runs())
    if (!send_run(ports_.rtp_fd, viewer_, std::span(octets).subspan(begin, length)))
      unsent += (length + packet_octets - 1) / packet_octets;
  return unsent;
}

void SenderSession::send_frame(int frame_in_gop) {
  if (!begun_ && frame_in_gop != 0) return;
  if (frame_limit_ != 0 && frames_due_ == frame_limit_) return;
  begun_ = true;
  ++frames_due_;
  auto& shape = shape_of(frame_in_gop == 0, counts_.tcp);
  stamp_.frame_in_gop = frame_in_gop;
  const auto& octets = shape.stamp(stamp_);
  stamp_.sequence = static_cast<std::uint16_t>(stamp_.sequence + shape.packets());
  stamp_.rtp_time += clock_hz / frames_per_s;
  std::uint64_t unsent = 0;
  if (!counts_.tcp) {
    unsent = send_by_udp(shape, octets);
  } else if (flush(); !held_.empty()) {
    unsent = shape.packets();
  } else {
    write(octets);
    if (!held_.empty()) ++counts_.held_frames;
  }
  counts_.overrun_packets += unsent;
  counts_.packets += shape.packets() - unsent;
  if (unsent != 0) return;
  ++counts_.frames;
  counts_.payload_octets += shape.payload_octets();
}

}  // namespace tallywire::bench
