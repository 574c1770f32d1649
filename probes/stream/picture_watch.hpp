// What a video stream's own headers say of its pictures, beside what the session description said: parameter sets, JPEG
// headers, and the kinds of pictures where no key frame comes. Memory bounded; no I/O; one thread at a time.
#pragma once

#include "probes/stream/meter_settings.hpp"
#include "probes/wire/h264.hpp"
#include "probes/wire/rtp.hpp"

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::stream {

class PictureWatch {
 public:
  // Longer parameter sets than this are not read: those of the check values are 50 octets long.
  static constexpr std::size_t most_set_octets = 1024;

  PictureWatch(Codec codec, const std::vector<std::vector<std::uint8_t>>& told_sets);

  // A whole sequence parameter set out of the stream itself.
  void take_parameter_set(wire::Octets nal);
  // A slice or SEI of H.264, looked at only as long as no key frame was seen.
  void take_without_key(unsigned type, wire::Octets octets, bool has_nal_header);
  // A JPEG packet of fragment offset 0.
  void take_jpeg(int width, int height, const wire::RtpPacket& packet);

  // Of the stream itself; of the session description as long as the stream has shown none.
  const std::optional<wire::PictureFormat>& picture() const { return seen_ ? seen_ : told_; }
  const std::optional<wire::PictureFormat>& seen() const { return seen_; }
  const std::optional<wire::PictureFormat>& told() const { return told_; }
  // As it stood in the stream, else in the session description; empty where there was none.
  const std::vector<std::uint8_t>& newest_set() const { return set_; }
  const std::string& profile_level_id() const { return profile_level_id_; }  // H.264, of the stream itself
  std::int64_t parameter_sets() const { return sets_; }
  std::int64_t recovery_points() const { return recovery_points_; }
  std::int64_t intra_slices() const { return intra_slices_; }
  std::int64_t size_changes() const { return size_changes_; }
  bool jpeg_without_size() const { return jpeg_without_size_; }

 private:
  std::optional<wire::PictureFormat> decode(wire::Octets nal) const;
  void see(wire::PictureFormat format);

  Codec codec_;
  bool jpeg_without_size_ = false;
  std::optional<wire::PictureFormat> told_;
  std::optional<wire::PictureFormat> seen_;
  std::vector<std::uint8_t> set_;  // the newest parameter set, as it stood
  std::string profile_level_id_;
  std::int64_t sets_ = 0;
  std::int64_t recovery_points_ = 0;
  std::int64_t intra_slices_ = 0;
  std::int64_t size_changes_ = 0;
};

}  // namespace tallywire::stream
