#include "probes/volume/own_files.hpp"

#include <dirent.h>
#include <fcntl.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <filesystem>
#include <random>
#include <string_view>

namespace tallywire::volume {
namespace {

namespace fs = std::filesystem;

constexpr std::string_view prefix = ".tallywire-volume-";

bool is_number(std::string_view word) { return !word.empty() && word.find_first_not_of("0123456789") == std::string_view::npos; }

// PREFIX, process id, "-", random number.
bool is_own_name(std::string_view name) {
  if (name.substr(0, prefix.size()) != prefix) return false;
  name.remove_prefix(prefix.size());
  const auto dash = name.find('-');
  return dash != std::string_view::npos && is_number(name.substr(0, dash)) && is_number(name.substr(dash + 1));
}

}  // namespace

// Without looking at what the names stand for: unlinkat refuses directories.
void unlink_numbers(int directory) {
  DIR* listing = ::fdopendir(::fcntl(directory, F_DUPFD_CLOEXEC, 0));
  if (listing == nullptr) return;
  ::rewinddir(listing);
  std::vector<std::string> names;
  while (const dirent* entry = ::readdir(listing))
    if (is_number(entry->d_name) && std::strlen(entry->d_name) < 8) names.emplace_back(entry->d_name);
  ::closedir(listing);
  for (const auto& name : names) ::unlinkat(directory, name.c_str(), 0);
}

// Without waiting: a pipe would hold us until somebody reads it.
int open_own(int directory, const char* name, int flags) {
  const int fd = ::openat(directory, name, (flags & ~O_TRUNC) | O_NOFOLLOW | O_CLOEXEC | O_NONBLOCK, 0600);
  if (fd < 0) return -1;
  struct stat info{};
  int error = ::fstat(fd, &info) != 0 ? errno : !S_ISREG(info.st_mode) || info.st_nlink != 1 ? EEXIST : 0;
  if (error == 0 && (flags & O_TRUNC) != 0 && ::ftruncate(fd, 0) != 0) error = errno;
  if (error == 0) return fd;
  ::close(fd);
  errno = error;
  return -1;
}

Descriptor& Descriptor::operator=(Descriptor&& other) noexcept {
  if (this != &other) {
    if (fd_ >= 0) ::close(fd_);
    fd_ = other.fd_;
    other.fd_ = -1;
  }
  return *this;
}

Descriptor::~Descriptor() {
  if (fd_ >= 0) ::close(fd_);
}

Fault cannot_write(const std::string& directory, int error) {
  Fault out{FaultKind::system, "nothing can be written there: " + std::string(std::strerror(error)), directory, "look in the kernel's log"};
  switch (error) {
    case EROFS: out.what = "the volume is read-only"; out.try_next = "remount it for writing, or look in the kernel's log why it became so"; break;
    case ENOSPC:
    case EDQUOT: out.what = "the volume is full"; out.try_next = "free space, then repeat"; break;
    case EACCES:
    case EPERM: out.what = "no right to write there"; out.try_next = "give this user the right, or run as root"; break;
    case EEXIST:
      out.what = "a file that is not ours stands where one of ours would";
      out.try_next = "look who made it; it is left as it is";
      break;
    case EMFILE: out.what = "more files than this process may open"; out.try_next = "ask for fewer files, or raise LimitNOFILE"; break;
    case ENOENT:
      out.kind = FaultKind::bad_request;
      out.what = "there is no such directory";
      out.try_next = "check the path, and that the volume is mounted";
      break;
    case ENOTDIR: out.kind = FaultKind::bad_request; out.what = "this is no directory"; out.try_next = "give a directory on the volume"; break;
    default: break;
  }
  return out;
}

// A measurement holds a lock on its directory as long as it lives, whatever its process id is called in
// other namespaces; a directory that can be locked belongs to nobody. Work goes by descriptor and by the exact
// names that we give: a link, a file or a directory that only looks like ours is somebody's.
int remove_leftovers(const std::string& directory) {
  int removed = 0;
  std::error_code code;
  std::vector<std::string> names;
  for (fs::directory_iterator at(directory, code), end; !code && at != end; at.increment(code))
    if (is_own_name(at->path().filename().string())) names.push_back(at->path().string());
  for (const auto& name : names) {
    const Descriptor left(::open(name.c_str(), O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC));
    if (left.fd() < 0 || ::flock(left.fd(), LOCK_EX | LOCK_NB) != 0) continue;
    unlink_numbers(left.fd());
    removed += ::rmdir(name.c_str()) == 0;
  }
  return removed;
}

// Another start may take a directory that is made but not yet locked for a leftover: then a new one is made.
Outcome<void> OwnFiles::make_directory(const std::string& directory) {
  for (int attempt = 0; attempt < 16; ++attempt) {
    const auto name = directory + "/" + std::string(prefix) + std::to_string(::getpid()) + "-" +
                      std::to_string(std::random_device{}());
    if (::mkdir(name.c_str(), 0700) != 0) return cannot_write(directory, errno);
    Descriptor own(::open(name.c_str(), O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC));
    struct stat info{};
    if (own.fd() >= 0 && ::flock(own.fd(), LOCK_EX | LOCK_NB) == 0 && ::fstat(own.fd(), &info) == 0 && info.st_nlink > 0) {
      directory_ = name;
      own_ = std::move(own);
      return {};
    }
    ::rmdir(name.c_str());
  }
  return Fault{FaultKind::system, "other measurements take the files of this one away", directory,
               "repeat it when they are done"};
}

Outcome<std::shared_ptr<OwnFiles>> OwnFiles::make(const std::string& directory, IoMode mode) {
  if (directory.empty()) return Fault{FaultKind::bad_request, "no directory is named", "",
                                       "give a directory on the volume"};
  remove_leftovers(directory);
  std::shared_ptr<OwnFiles> out(new OwnFiles);
  if (auto made = out->make_directory(directory); !made) return made.error();
  out->direct_ = mode != IoMode::buffered;
  Descriptor first(out->open_for_writing(0));
  if (first.fd() < 0 && errno == EINVAL && out->direct_) {  // tmpfs and some network file systems have no direct I/O
    if (mode == IoMode::direct)
      return Fault{FaultKind::bad_request, "this file system takes no direct I/O", directory, "ask for buffered I/O, or leave the choice to Tallywire"};
    out->direct_ = false;
    first = Descriptor(out->open_for_writing(0));
  }
  if (first.fd() < 0) return cannot_write(directory, errno);
  return out;
}

int OwnFiles::open_for_writing(unsigned number) const {
  return open_own(own_.fd(), std::to_string(number).c_str(), O_WRONLY | O_CREAT | (direct_ ? O_DIRECT : 0));
}

int OwnFiles::open_for_reading(unsigned number) const {
  return open_own(own_.fd(), std::to_string(number).c_str(), O_RDONLY | (direct_ ? O_DIRECT : 0));
}

bool OwnFiles::remove() {
  if (directory_.empty()) return true;
  unlink_numbers(own_.fd());
  const bool gone = ::rmdir(directory_.c_str()) == 0 || errno == ENOENT;
  if (gone) {
    directory_.clear();
    own_ = Descriptor();
  }
  return gone;
}

}  // namespace tallywire::volume
