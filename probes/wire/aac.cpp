#include "probes/wire/aac.hpp"

#include "probes/wire/bits.hpp"

namespace tallywire::wire {
namespace {

constexpr unsigned widest = 32;

bool believable(const AuHeaderFormat& format) {
  for (const unsigned width : {format.size_length, format.index_length, format.index_delta_length,
                               format.cts_delta_length, format.dts_delta_length, format.stream_state_length})
    if (width > widest) return false;
  return true;
}

// §3.2.1.1. Returns the size of the unit, 0 when the header does not tell it.
std::size_t read_header(BitReader& in, const AuHeaderFormat& format, bool first) {
  const std::size_t size = in.bits(format.size_length);
  in.skip(first ? format.index_length : format.index_delta_length);
  if (format.cts_delta_length > 0 && in.flag()) in.skip(format.cts_delta_length);
  if (format.dts_delta_length > 0 && in.flag()) in.skip(format.dts_delta_length);
  if (format.random_access_indication) in.flag();
  in.skip(format.stream_state_length);
  return size;
}

std::optional<AccessUnits> units_of_constant_size(Octets data, std::size_t size) {
  if (data.size() < size) return AccessUnits{1, true};
  if (data.size() % size != 0) return std::nullopt;
  return AccessUnits{static_cast<unsigned>(data.size() / size), false};
}

}  // namespace

std::optional<AccessUnits> decode_access_units(Octets payload, const AuHeaderFormat& format) {
  if (payload.empty() || !believable(format)) return std::nullopt;
  if (!format.has_section()) {
    if (format.constant_size > 0) return units_of_constant_size(payload, format.constant_size);
    return AccessUnits{1, false};
  }
  OctetReader reader(payload);
  const std::size_t header_bits = reader.u16();
  const auto section = reader.take((header_bits + 7) / 8);
  if (!reader.ok() || header_bits == 0) return std::nullopt;
  const std::size_t data = reader.left();
  BitReader in(section);
  AccessUnits out;
  std::size_t told = 0;
  // Each header has a bit at least: the octets of the section bound the loop.
  while (in.at() < header_bits) {
    const std::size_t before = in.at();
    told += read_header(in, format, out.count == 0);
    if (!in.ok() || in.at() > header_bits || in.at() == before) return std::nullopt;
    ++out.count;
  }
  if (format.size_length > 0 && told > data) {
    if (out.count != 1) return std::nullopt;  // only a unit that is alone may be a fragment
    out.fragment = true;
  }
  return out;
}

}  // namespace tallywire::wire
