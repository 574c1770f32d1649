// The plan of a rehearsal: streams that do not exist, shaped like those of a design. Frames come at the frame rate, one in a
// GOP is a key frame, and each leaves as a burst at the speed of its unit's link. Pure: no socket, no clock, no thread.
//
// Octets of a frame are RTP payload; on the wire each packet takes its RTP, UDP, IP and Ethernet headers, FCS, preamble and gap
// beside (stream/meter_settings.hpp). Times are seconds after the begin of a step. A scale multiplies the octets of all frames and
// leaves their times alone, so that the shape of the load stays and only its height changes.
#pragma once

#include "probes/fault.hpp"
#include "probes/window_counts.hpp"

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::path {

inline constexpr std::size_t rehearsal_packet_octets = 1400;   // RTP payload of a full packet; the last one of a frame is shorter
inline constexpr std::size_t most_rehearsed_streams = 2000;
// A key frame against the mean difference frame: common practice is 5 to 20 times.
inline constexpr double usual_key_ratio = 8;
// Difference frames of a capped stream are up to so much larger or smaller than their mean: common practice, no standard's figure.
inline constexpr double capped_swing_ratio = 0.25;

enum class RehearsalPhases { random, together };

struct MadeUpStream {
  std::string name;              // "camera/head/stream", or a number
  int width_px = 1280, height_px = 720;
  double frame_rate_hz = 25;     // above 0, at most 240
  int gop_frames = 50;           // at least 1: then every frame is a key frame
  double payload_bps = 0;        // mean over a GOP
  bool constant = true;          // else capped: difference frames differ, in a pattern that each GOP repeats
  double key_ratio = usual_key_ratio;  // at least 1
  double link_bps = 100e6;       // of its unit
  std::size_t unit = 0;          // streams of one unit share its link: their bursts go out one behind the other
  double phase_s = 0;            // of its key frames, from 0 to the length of a GOP
  std::uint64_t seed = 0;        // of its pattern, when it is capped

  double gop_s() const { return gop_frames / frame_rate_hz; }
};

struct RehearsalPlan {
  std::vector<MadeUpStream> streams;
  RehearsalPhases phases = RehearsalPhases::random;
  std::uint64_t seed = 0;
  bool ipv6 = false;             // what carries it; for octets on the wire

  double longest_gop_s() const;
};

// Checks the ranges above, and gives each stream its phase and its pattern. The same seed gives the same plan.
Outcome<RehearsalPlan> plan_rehearsal(std::vector<MadeUpStream> streams, RehearsalPhases phases, std::uint64_t seed);

// One frame of a stream. Its number counts from the step's begin; a stream that is in the middle of a GOP then begins so.
struct MadeUpFrame {
  double at_s = 0;
  bool key = false;
  int in_gop = 0;
  std::size_t octets = 0;        // RTP payload
};
MadeUpFrame frame_of(const MadeUpStream& stream, std::uint64_t number, double scale);

// Cuts a frame into packets, in order. A key frame begins with one of its parameter sets, which count as part of it.
class FrameCut {
 public:
  struct Piece {
    std::size_t octets = 0;      // RTP payload
    bool parameter_sets = false;
    bool first = false, last = false;  // of the slice
  };
  FrameCut() = default;
  FrameCut(const MadeUpFrame& frame, std::size_t parameter_set_octets) : left_(frame.octets), sets_(frame.key ? parameter_set_octets : 0) {}
  // None when all of it is cut.
  std::optional<Piece> next();

 private:
  std::size_t left_ = 0, sets_ = 0;
  bool begun_ = false;
};

// Octets that the link is busy with for a packet of this RTP payload, and for a whole frame.
double rehearsal_wire_octets(std::size_t payload_octets, bool ipv6);
double wire_octets_of(const MadeUpFrame& frame, std::size_t parameter_set_octets, bool ipv6);

// The mean on the wire over whole GOPs, of one stream and of all.
double mean_wire_bps(const MadeUpStream& stream, double scale, bool ipv6);
double mean_wire_bps(const RehearsalPlan& plan, double scale);

// How the wire octets of one stream fall into windows of 100 ms that begin at every millisecond of a GOP: exact, for headroom.
std::vector<WindowCount> windows_of(const MadeUpStream& stream, double scale, bool ipv6);

// The busiest 100 ms of all streams together, at the phases that they have, in the first `seconds` of a step.
double busiest_window_bps(const RehearsalPlan& plan, double scale, double seconds);

}  // namespace tallywire::path
