#include "probes/tap/capture_file.hpp"

#include "probes/tap/octet_source.hpp"
#include "probes/wire/capture_format.hpp"

#include <array>
#include <cstring>
#include <string_view>

namespace tallywire::tap {
namespace {

constexpr std::size_t block_octets = 256 * 1024;
// Room before the block for a record that began in the one before: only that record is moved, and every block is read
// to the same place, which stays in the processor's cache.
constexpr std::size_t front_octets = wire::CaptureDecoder::largest_block_octets;

struct Seeming {
  std::string_view first;
  const char* what;
  const char* try_next;
};

// First octets of what people give instead. common practice: file(1), Wireshark's wiretap.
constexpr Seeming seemings[] = {
    {"\xfd" "7zXZ", "it seems to be packed with xz", "unpack it first: xz -d FILE"},
    {"BZh", "it seems to be packed with bzip2", "unpack it first: bunzip2 FILE"},
    {"\x04\x22\x4d\x18", "it seems to be packed with LZ4", "unpack it first: lz4 -d FILE"},
    {"PK\x03\x04", "it seems to be a ZIP archive", "unpack it first, and give the capture in it"},
    {"7z\xbc\xaf\x27\x1c", "it seems to be a 7-Zip archive", "unpack it first, and give the capture in it"},
    {"\x1f\x8b", "it is packed twice", "unpack it once: gunzip FILE"},
    {"\x28\xb5\x2f\xfd", "it is packed twice", "unpack it once: zstd -d FILE"},
    {"snoop", "it seems to be a snoop capture", "turn it into one: editcap -F pcapng FILE OUT.pcapng"},
    {"btsnoop", "it seems to be a Bluetooth capture", "give a capture of the network"},
    {"GMBU", "it seems to be a Network Monitor capture", "turn it into one: editcap -F pcapng FILE OUT.pcapng"},
    {"RTSS", "it seems to be a Network Monitor capture", "turn it into one: editcap -F pcapng FILE OUT.pcapng"},
    {"\x7f" "ELF", "it seems to be a program", "give a capture file"},
};

Fault no_capture(wire::Octets first, const std::string& why, const std::string& path) {
  const std::string usual = "give a pcap or pcapng file, plain or packed with gzip or Zstandard, as tcpdump -w writes it";
  if (first.empty()) return {FaultKind::bad_request, "the file is empty, no capture", path, usual};
  const std::string_view octets(reinterpret_cast<const char*>(first.data()), first.size());
  for (const auto& seeming : seemings) {
    if (!octets.starts_with(seeming.first)) continue;
    return {FaultKind::bad_request, std::string("this is no pcap or pcapng capture: ") + seeming.what, path,
            seeming.try_next};
  }
  return {FaultKind::bad_request, "this is no pcap or pcapng capture: " + why, path, usual};
}

}  // namespace

struct CaptureFile::State {
  std::string path;
  std::unique_ptr<FileSource> file;
  std::unique_ptr<OctetSource> unpacked;  // where the file is packed
  OctetSource* source = nullptr;
  Packing packing = Packing::none;
  std::unique_ptr<std::uint8_t[]> buffer{new std::uint8_t[front_octets + block_octets]};
  std::size_t begin = front_octets, end = front_octets;  // what is not decoded yet
  wire::CaptureDecoder decoder;
  std::array<wire::CaptureRecord, most_frames> records;
  std::array<CapturedFrame, most_frames> batch;
  std::uint64_t frames = 0;
  bool ended = false;
  std::optional<Fault> damage;

  wire::Octets rest() const { return {buffer.get() + begin, end - begin}; }

  // More octets behind rest(). What was not decoded is shorter than a block that is looked into: it fits into the front.
  Outcome<std::size_t> refill() {
    const auto tail = end - begin;
    std::memmove(buffer.get() + front_octets - tail, buffer.get() + begin, tail);
    begin = front_octets - tail;
    end = front_octets;
    const auto got = source->read({buffer.get() + front_octets, block_octets});
    if (got) end += *got;
    return got;
  }

  Outcome<bool> begin_reading();
  void finish(const Fault* fault);
};

// Up to the first frame: false when there is nothing at all.
Outcome<bool> CaptureFile::State::begin_reading() {
  source = file.get();
  while (rest().size() < 4) {
    const auto got = refill();
    if (!got) return got.error();
    if (*got == 0) break;
  }
  packing = packing_of(rest());
  if (packing != Packing::none) {
    unpacked = unpack(packing, *file, rest());
    source = unpacked.get();
    begin = end = front_octets;
  }
  for (;;) {
    const auto turn = decoder.decode(rest(), {});
    if (decoder.format() == wire::CaptureDecoder::Format::neither) {
      return no_capture(rest(), decoder.damage()->what, path);
    }
    begin += turn.used;
    if (decoder.format() != wire::CaptureDecoder::Format::undecided) return true;
    const auto got = refill();
    if (!got) {
      auto fault = got.error();
      fault.where = path;
      if (fault.kind == FaultKind::malformed) fault.kind = FaultKind::bad_request;  // nothing of it could be read
      return fault;
    }
    if (*got == 0) return no_capture(rest(), "it ends before its header does", path);
  }
}

// The end, clean or not. What a person needs to judge it: where, why, and how much was read.
void CaptureFile::State::finish(const Fault* fault) {
  ended = true;
  if (fault && fault->kind == FaultKind::cancelled) return;
  if (!fault) decoder.end(rest());
  if (!fault && !decoder.damage()) return;
  damage = fault ? *fault
                 : Fault{FaultKind::malformed, decoder.damage()->what, "",
                         "capture or copy it again, if what comes after that matters"};
  const auto at = decoder.octets_used();
  damage->what += " at octet " + std::to_string(at) + (packing == Packing::none ? "" : " of what it unpacks to") +
                  ", after " + std::to_string(frames) + (frames == 1 ? " frame" : " frames") +
                  ": what stands before was read";
  damage->where = path;
}

Outcome<std::unique_ptr<CaptureFile>> CaptureFile::open(const std::string& path, const std::atomic<bool>* stop) {
  auto state = std::make_unique<State>();
  state->path = path == "-" ? "standard input" : path;
  auto file = FileSource::open(path, stop);
  if (!file) return file.error();
  state->file = std::move(*file);
  const auto begun = state->begin_reading();
  if (!begun) return begun.error();
  return std::unique_ptr<CaptureFile>(new CaptureFile(std::move(state)));
}

CaptureFile::CaptureFile(std::unique_ptr<State> state) : state_(std::move(state)) {}
CaptureFile::~CaptureFile() = default;

std::span<const CapturedFrame> CaptureFile::next() {
  State& s = *state_;
  while (!s.ended) {
    const auto turn = s.decoder.decode(s.rest(), s.records);
    s.begin += turn.used;
    if (turn.records > 0) {
      s.frames += turn.records;
      for (std::size_t i = 0; i < turn.records; ++i) {
        const auto& from = s.records[i];
        s.batch[i] = {from.octets, from.original_octets, from.link, from.when};
      }
      return {s.batch.data(), turn.records};
    }
    if (s.decoder.damage()) {
      s.finish(nullptr);
      break;
    }
    const auto got = s.refill();
    if (!got) {
      const Fault fault = got.error();
      s.finish(&fault);
    } else if (*got == 0) {
      s.finish(nullptr);
    }
  }
  return {};
}

const std::optional<Fault>& CaptureFile::damage() const { return state_->damage; }
std::uint64_t CaptureFile::frames() const { return state_->frames; }
const std::vector<std::uint32_t>& CaptureFile::unknown_links() const { return state_->decoder.unknown_links(); }
std::uint64_t CaptureFile::octets_read() const { return state_->file->octets_read(); }
std::uint64_t CaptureFile::octets_in_all() const { return state_->file->octets_in_all(); }

CaptureLoss CaptureFile::loss() const {
  const auto lost = state_->decoder.lost();
  return {lost.by_system, lost.by_interface};
}

bool CaptureFile::tells_loss() const { return state_->decoder.tells_lost(); }

std::string CaptureFile::format() const {
  std::string out = "pcapng";
  if (state_->decoder.format() == wire::CaptureDecoder::Format::pcap) {
    out = state_->decoder.nanoseconds() ? "pcap, nanoseconds" : "pcap, microseconds";
  }
  if (state_->packing == Packing::gzip) out += ", gzip";
  if (state_->packing == Packing::zstandard) out += ", Zstandard";
  return out;
}

}  // namespace tallywire::tap
