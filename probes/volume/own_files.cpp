#include "probes/volume/own_files.hpp"

#include <fcntl.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>

#include <cstring>
#include <filesystem>
#include <random>

namespace tallywire::volume {
namespace {

namespace fs = std::filesystem;

constexpr const char* prefix = ".tallywire-volume-";

Fault cannot_write(const std::string& directory) {
  Fault out{FaultKind::system, "nothing can be written there: " + std::string(std::strerror(errno)), directory, ""};
  switch (errno) {
    case EROFS: out.what = "the volume is read-only"; out.try_next = "remount it for writing, or look in the kernel's log why it became so"; break;
    case ENOSPC: out.what = "the volume is full"; out.try_next = "free space, then repeat"; break;
    case EACCES:
    case EPERM: out.what = "no right to write there"; out.try_next = "give this user the right, or run as root"; break;
    case ENOENT: out.kind = FaultKind::bad_request; out.what = "there is no such directory"; out.try_next = "check the path, and that the volume is mounted"; break;
    case ENOTDIR: out.kind = FaultKind::bad_request; out.what = "this is no directory"; out.try_next = "give a directory on the volume"; break;
    default: break;
  }
  return out;
}

}  // namespace

// A measurement holds a lock on its directory as long as it lives, whatever its process id is called in
// other namespaces; a directory that can be locked belongs to nobody.
int remove_leftovers(const std::string& directory) {
  int removed = 0;
  std::error_code code;
  for (const auto& entry : fs::directory_iterator(directory, code)) {
    const auto name = entry.path().filename().string();
    if (name.rfind(prefix, 0) != 0 || !entry.is_directory(code)) continue;
    const int fd = ::open(entry.path().c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0) continue;
    if (::flock(fd, LOCK_EX | LOCK_NB) == 0) removed += fs::remove_all(entry.path(), code) > 0;
    ::close(fd);
  }
  return removed;
}

Outcome<std::unique_ptr<OwnFiles>> OwnFiles::make(const std::string& directory, int count) {
  remove_leftovers(directory);
  std::unique_ptr<OwnFiles> out(new OwnFiles);
  const auto name = directory + "/" + prefix + std::to_string(::getpid()) + "-" + std::to_string(std::random_device{}());
  if (::mkdir(name.c_str(), 0700) != 0) return cannot_write(directory);
  out->directory_ = name;
  const int own = ::open(name.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  if (own < 0 || ::flock(own, LOCK_EX | LOCK_NB) != 0) {
    if (own >= 0) ::close(own);
    return cannot_write(directory);
  }
  out->descriptors_.push_back(own);
  for (int i = 0; i < count; ++i) {
    const auto file = name + "/" + std::to_string(i);
    int fd = ::open(file.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_DIRECT, 0600);
    if (fd < 0 && errno == EINVAL) {
      out->direct_ = false;  // tmpfs and some network file systems have no direct I/O
      ::unlink(file.c_str());
      fd = ::open(file.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0600);
    }
    if (fd < 0) return cannot_write(directory);
    out->names_.push_back(file);
    out->descriptors_.push_back(fd);
  }
  // The lock's descriptor stays first and is not written to.
  return out;
}

OwnFiles::~OwnFiles() {
  for (const auto& name : names_) ::unlink(name.c_str());
  if (!directory_.empty()) ::rmdir(directory_.c_str());
  for (const int fd : descriptors_) ::close(fd);
}

}  // namespace tallywire::volume
