// What a tap has to tell: every stream as the stream room reports it, with how it was recognised, and the capture
// itself, whose own losses are never laid to the network. The JSON is laid down in docs/commands.md ("tap"). Values; any
// thread.
#pragma once

#include "probes/stream/report.hpp"
#include "probes/tap/tap.hpp"

#include <nlohmann/json_fwd.hpp>

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

namespace tallywire::tap {

// One stream; `report` as `tallywire stream` tells it.
struct TappedStream {
  stream::StreamReport report;
  int payload_type = 0;
  std::string recognised_by;                       // "rtsp", "rtcp", "design", "sequence"
  bool codec_told = false;                         // false: it was read from the payload, or is not known
  bool clock_told = false;                         // false: by the rate of its time stamps, or not known
  std::optional<std::string> url;                  // of the RTSP session that set it up
  std::optional<std::string> unit;                 // as the RTSP server names itself
  std::int64_t missing_packets = 0;                // numbers that did not come, whoever lost them
  std::int64_t not_captured_packets = 0;           // that the receiver acknowledged: the capture lacks them
  std::optional<ReceiverSays> receiver;            // by its RTCP reports
  std::optional<double> receiver_jitter_ms;
};

// The capture by itself.
struct CaptureFacts {
  std::string source;                  // a file's path or an interface's name
  std::string format;                  // "pcapng, gzip"; "live"
  TapTotals totals;
  CaptureLoss loss;
  CaptureLoss loss_just_before;        // of a held tap's report before this one: its gaps may show here
  bool loss_known = false;             // a classic pcap file does not tell
  std::optional<std::string> damage;   // why the file could not be read to its end
  std::uint64_t not_media = 0;         // took the look of a stream, but its time stood still
  std::string away;                    // why nothing is captured now; empty when it is
  bool stopped = false;                // before its end, by a person
  std::vector<std::uint32_t> unknown_links;
  int threads = 1;
};

struct TapReport {
  CaptureFacts capture;
  std::vector<TappedStream> streams;   // heaviest first
  std::vector<std::string> findings;   // of the capture; a stream has its own
  std::map<std::string, std::string> unread;
};

// One of a thread's streams. settle() comes first.
TappedStream describe(const Source& source, const CaptureLoss& loss);
// All streams of the taps that read one capture.
TapReport report_of(std::span<const Tap* const> taps, CaptureFacts facts);

// Totals of several threads.
TapTotals sum_of(std::span<const Tap* const> taps, TapTotals so_far = {});

// Whether all could be read: the capture to its end, and of each stream what its kind has.
bool is_whole(const TapReport& report);
bool is_whole(const TappedStream& stream);

// The object of docs/commands.md: its fields but `unread`, into an object that is begun; and what `unread` holds.
void write_fields(JsonText& out, const TappedStream& stream);
void write_unread(JsonText& out, const TappedStream& stream);
void to_json(nlohmann::json& out, const TappedStream& stream);
void to_json(nlohmann::json& out, const TapReport& report);
// The report without its streams.
nlohmann::json head_json(const TapReport& report);

}  // namespace tallywire::tap
