#include "probes/stream/picture_watch.hpp"

#include "probes/wire/h265.hpp"
#include "probes/wire/jpeg.hpp"

#include <algorithm>

namespace tallywire::stream {

PictureWatch::PictureWatch(Codec codec, const std::vector<std::vector<std::uint8_t>>& told_sets) : codec_(codec) {
  for (const auto& nal : told_sets)
    if (auto format = decode(nal)) {
      told_ = std::move(format);
      set_ = nal;
    }
}

std::optional<wire::PictureFormat> PictureWatch::decode(wire::Octets nal) const {
  if (nal.size() > most_set_octets) return std::nullopt;
  if (codec_ == Codec::h264) return wire::decode_h264_sps(nal);
  if (codec_ == Codec::h265) return wire::decode_h265_sps(nal);
  return std::nullopt;
}

void PictureWatch::see(wire::PictureFormat format) {
  if (seen_ && (seen_->width != format.width || seen_->height != format.height)) ++size_changes_;
  seen_ = std::move(format);
}

void PictureWatch::take_parameter_set(wire::Octets nal) {
  ++sets_;
  if (seen_ && std::equal(nal.begin(), nal.end(), set_.begin(), set_.end())) return;
  auto format = decode(nal);
  if (!format) return;
  see(std::move(*format));
  set_.assign(nal.begin(), nal.end());
  if (codec_ == Codec::h264) profile_level_id_ = wire::profile_level_id_of(nal);
}

void PictureWatch::take_without_key(unsigned type, wire::Octets octets, bool has_nal_header) {
  if (type == static_cast<unsigned>(wire::H264Nal::sei)) {
    if (has_nal_header) recovery_points_ += wire::has_recovery_point(octets);
  } else if (type == static_cast<unsigned>(wire::H264Nal::slice)) {
    const auto slice = wire::decode_slice_type(has_nal_header ? octets.subspan(1) : octets);
    intra_slices_ += slice && *slice % 5 == 2;
  }
}

void PictureWatch::take_jpeg(int width, int height, const wire::RtpPacket& packet) {
  std::optional<wire::JpegSize> size;
  if (packet.extended && packet.extension_profile == wire::onvif_jpeg_first)
    size = wire::find_jpeg_size(packet.extension);  // it takes precedence
  if (!size && width > 0 && height > 0) size = wire::JpegSize{width, height};
  if (!size) {
    // Both fields 0 and no start of frame: the one of the frame before holds.
    jpeg_without_size_ = !seen_;
    return;
  }
  if (seen_ && seen_->width == size->width && seen_->height == size->height) return;
  see({size->width, size->height, "Baseline", "", {}});
}

}  // namespace tallywire::stream
