#include "probes/tap/octet_source.hpp"

#include <fcntl.h>
#include <poll.h>
#include <sys/stat.h>
#include <unistd.h>
#include <zlib.h>
#include <zstd.h>
#include <zstd_errors.h>

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <optional>
#include <vector>

namespace tallywire::tap {
namespace {

constexpr int look_again_ms = 100;  // at the stop flag, while a pipe is silent
constexpr std::size_t piece_octets = 256 * 1024;

Fault file_fault(const std::string& path, int code) {
  const bool wrong = code == ENOENT || code == ENOTDIR || code == EISDIR || code == ELOOP || code == ENAMETOOLONG;
  return {wrong ? FaultKind::bad_request : FaultKind::system,
          std::string("the capture file cannot be read: ") + std::strerror(code), path,
          code == EACCES || code == EPERM ? "read it as a user who may, or ask its owner"
          : wrong                         ? "check the path"
                                          : "see what the kernel says of the disk: dmesg"};
}

}  // namespace

Outcome<std::unique_ptr<FileSource>> FileSource::open(const std::string& path, const std::atomic<bool>* stop) {
  std::unique_ptr<FileSource> out(new FileSource);
  out->stop_ = stop;
  const bool standard_input = path == "-";
  out->path_ = standard_input ? "standard input" : path;
  // Without O_NONBLOCK, opening a pipe that nobody writes to would wait where no flag is looked at.
  out->descriptor_ = standard_input ? STDIN_FILENO : ::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
  struct stat status{};
  if (out->descriptor_ < 0 || ::fstat(out->descriptor_, &status) != 0) return file_fault(out->path_, errno);
  if (S_ISDIR(status.st_mode)) {
    return Fault{FaultKind::bad_request, "this is a directory", out->path_, "give a capture file in it"};
  }
  if (::isatty(out->descriptor_)) {
    return Fault{FaultKind::bad_request, "this is a terminal", out->path_,
                 "give a capture file, or pipe one in: tcpdump -w - … | tallywire tap -"};
  }
  if (S_ISREG(status.st_mode)) {
    out->offset_ = standard_input ? std::max<off_t>(0, ::lseek(STDIN_FILENO, 0, SEEK_CUR)) : 0;
    out->seekable_ = true;
    out->octets_in_all_ = static_cast<std::uint64_t>(std::max<off_t>(0, status.st_size - out->offset_));
  }
  return out;
}

FileSource::~FileSource() {
  if (descriptor_ > STDIN_FILENO) ::close(descriptor_);
}

Outcome<bool> FileSource::wait() const {
  for (;;) {
    if (stop_ && stop_->load(std::memory_order_relaxed)) return false;
    if (seekable_) return true;
    pollfd one{descriptor_, POLLIN, 0};
    const int ready = ::poll(&one, 1, look_again_ms);
    if (ready > 0) return true;
    if (ready < 0 && errno != EINTR) return file_fault(path_, errno);
  }
}

Outcome<std::size_t> FileSource::read(std::span<std::uint8_t> into) {
  for (;;) {
    const auto ready = wait();
    if (!ready) return ready.error();
    if (!*ready) return Fault{FaultKind::cancelled, "reading the capture was stopped", path_, ""};
    const auto got = seekable_ ? ::pread(descriptor_, into.data(), into.size(), offset_)
                               : ::read(descriptor_, into.data(), into.size());
    if (got >= 0) {
      offset_ += got;
      octets_read_ += static_cast<std::uint64_t>(got);
      return static_cast<std::size_t>(got);
    }
    if (errno != EINTR && errno != EAGAIN) return file_fault(path_, errno);
  }
}

Packing packing_of(std::span<const std::uint8_t> first) {
  if (first.size() < 4) return Packing::none;
  if (first[0] == 0x1f && first[1] == 0x8b) return Packing::gzip;  // RFC 1952 §2.3.1
  // RFC 8878 §3.1.1, and §3.1.2: a skippable frame may come first.
  const std::uint32_t magic = first[0] | first[1] << 8 | first[2] << 16 | std::uint32_t{first[3]} << 24;
  if (magic == 0xfd2fb528 || (magic & 0xfffffff0) == 0x184d2a50) return Packing::zstandard;
  return Packing::none;
}

namespace {

// What both packings share: packed octets in pieces, and a fault that waits until what came before it was given.
class Unpacker : public OctetSource {
 public:
  Unpacker(FileSource& file, std::span<const std::uint8_t> begun, const char* name)
      : name_(name), file_(file), packed_(std::max(piece_octets, begun.size())), left_(begun.size()) {
    std::copy(begun.begin(), begun.end(), packed_.begin());
  }

  Outcome<std::size_t> read(std::span<std::uint8_t> into) final {
    std::size_t given = 0;
    while (!fault_ && !ended_ && given < into.size()) {
      if (left_ == 0 && !holds_more_) {
        if (given > 0) break;  // a pipe may take its time
        if (!refill()) break;
      }
      const auto room = into.subspan(given);
      const auto before = left_;
      const auto made = unpack(room);
      given += made;
      holds_more_ = made == room.size();
      if (made == 0 && before == left_ && left_ > 0 && !fault_) fault_ = broken("it does not go on");
    }
    if (given > 0 || !fault_) return given;
    return *fault_;
  }

 protected:
  // Unpacks what is left() into `room`; says how much came out, takes what it used, may set fault_.
  virtual std::size_t unpack(std::span<std::uint8_t> room) = 0;
  virtual bool inside() const = 0;  // something was begun and is not at its end

  const std::uint8_t* next() const { return packed_.data() + at_; }
  std::size_t left() const { return left_; }
  void take(std::size_t octets) {
    at_ += octets;
    left_ -= octets;
  }
  Fault broken(const std::string& why) const {
    return {FaultKind::malformed, std::string("the ") + name_ + " stream is broken: " + why, "",
            "copy or download the file again; compare its checksum with the original's"};
  }

  std::optional<Fault> fault_;

 private:
  bool refill() {
    const auto got = file_.read(packed_);
    if (!got) {
      fault_ = got.error();
      return false;
    }
    at_ = 0;
    left_ = *got;
    if (left_ > 0) return true;
    ended_ = true;
    if (inside()) {
      fault_ = Fault{FaultKind::malformed, std::string("the ") + name_ + " stream is cut off", "",
                     "copy or download the file again, if what is missing matters"};
    }
    return false;
  }

  const char* name_;
  FileSource& file_;
  std::vector<std::uint8_t> packed_;
  std::size_t at_ = 0, left_ = 0;
  bool holds_more_ = false;  // the library may hold octets for which there was no room
  bool ended_ = false;
};

class GzipSource final : public Unpacker {
 public:
  GzipSource(FileSource& file, std::span<const std::uint8_t> begun) : Unpacker(file, begun, "gzip") {
    constexpr int gzip_only = 16 + MAX_WBITS;
    if (inflateInit2(&stream_, gzip_only) != Z_OK) fault_ = no_memory();
  }
  ~GzipSource() override { inflateEnd(&stream_); }

 private:
  static Fault no_memory() { return {FaultKind::system, "no memory to unpack the capture", "", "close other programs"}; }
  bool inside() const override { return inside_; }

  std::size_t unpack(std::span<std::uint8_t> room) override {
    if (!inside_ && !begin_member()) return 0;
    // zlib reads only, but its field is not const unless ZLIB_CONST is defined for all of zlib.h.
    stream_.next_in = const_cast<Bytef*>(next());
    stream_.avail_in = static_cast<uInt>(left());
    stream_.next_out = room.data();
    stream_.avail_out = static_cast<uInt>(room.size());
    const int result = ::inflate(&stream_, Z_NO_FLUSH);
    take(left() - stream_.avail_in);
    if (result == Z_STREAM_END) {
      inside_ = false;
    } else if (result == Z_MEM_ERROR) {
      fault_ = no_memory();
    } else if (result != Z_OK && result != Z_BUF_ERROR) {
      fault_ = broken(stream_.msg ? stream_.msg : "a dictionary is asked for");
    }
    return room.size() - stream_.avail_out;
  }

  // RFC 1952 §2.2: members follow each other. Zeros behind the last are padding (as gzip itself takes them).
  bool begin_member() {
    if (members_ > 0) {
      while (left() > 0 && *next() == 0) {
        padded_ = true;
        take(1);
      }
      if (left() == 0) return false;
      if (padded_ || *next() != 0x1f) {
        fault_ = broken("something else follows it");
        return false;
      }
    }
    inflateReset(&stream_);
    ++members_;
    inside_ = true;
    return true;
  }

  z_stream stream_{};
  std::uint64_t members_ = 0;
  bool inside_ = false;
  bool padded_ = false;
};

class ZstandardSource final : public Unpacker {
 public:
  ZstandardSource(FileSource& file, std::span<const std::uint8_t> begun) : Unpacker(file, begun, "Zstandard") {
    if (!stream_) {
      fault_ = Fault{FaultKind::system, "no memory to unpack the capture", "", "close other programs"};
      return;
    }
    hint_ = ZSTD_initDStream(stream_);
  }
  ~ZstandardSource() override { ZSTD_freeDStream(stream_); }

 private:
  bool inside() const override { return inside_; }

  std::size_t unpack(std::span<std::uint8_t> room) override {
    // One block a call: of a call that fails, what it unpacked before the failure would not be told.
    ZSTD_inBuffer in{next(), std::min(left(), std::max<std::size_t>(hint_, 1)), 0};
    ZSTD_outBuffer out{room.data(), room.size(), 0};
    const std::size_t result = ZSTD_decompressStream(stream_, &out, &in);
    take(in.pos);
    if (ZSTD_isError(result)) {
      fault_ = broken(ZSTD_getErrorName(result));
      if (ZSTD_getErrorCode(result) == ZSTD_error_frameParameter_windowTooLarge) {
        fault_ = Fault{FaultKind::unsupported, "the Zstandard stream needs more than 128 MiB to be unpacked", "",
                       "unpack it first: zstd -d --long=31 FILE"};
      }
      return out.pos;
    }
    if (in.pos > 0 || out.pos > 0) inside_ = result != 0;
    hint_ = result;
    return out.pos;
  }

  ZSTD_DStream* stream_ = ZSTD_createDStream();
  std::size_t hint_ = 0;
  bool inside_ = false;
};

}  // namespace

std::unique_ptr<OctetSource> unpack(Packing packing, FileSource& file, std::span<const std::uint8_t> begun) {
  if (packing == Packing::gzip) return std::make_unique<GzipSource>(file, begun);
  return std::make_unique<ZstandardSource>(file, begun);
}

}  // namespace tallywire::tap
