#include "probes/volume/own_files.hpp"

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
constexpr int most_files = 256;

// PREFIX, process id, "-", random number.
bool is_own_name(std::string_view name) {
  if (name.substr(0, prefix.size()) != prefix) return false;
  name.remove_prefix(prefix.size());
  const auto dash = name.find('-');
  const auto digits = [](std::string_view part) {
    return !part.empty() && part.find_first_not_of("0123456789") == std::string_view::npos;
  };
  return dash != std::string_view::npos && digits(name.substr(0, dash)) && digits(name.substr(dash + 1));
}

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
// other namespaces; a directory that can be locked belongs to nobody. Work goes by descriptor and by the exact
// names that we give: a link, a file or a directory that only looks like ours is somebody's.
int remove_leftovers(const std::string& directory) {
  int removed = 0;
  std::error_code code;
  std::vector<std::string> names;
  for (fs::directory_iterator at(directory, code), end; !code && at != end; at.increment(code))
    if (is_own_name(at->path().filename().string())) names.push_back(at->path().string());
  for (const auto& name : names) {
    const int fd = ::open(name.c_str(), O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC);
    if (fd < 0) continue;
    if (::flock(fd, LOCK_EX | LOCK_NB) == 0) {
      for (int i = 0; i < most_files; ++i) ::unlinkat(fd, std::to_string(i).c_str(), 0);
      removed += ::rmdir(name.c_str()) == 0;
    }
    ::close(fd);
  }
  return removed;
}

// Another start may take a directory that is made but not yet locked for a leftover: then a new one is made.
Outcome<void> OwnFiles::make_directory(const std::string& directory) {
  for (int attempt = 0; attempt < 16; ++attempt) {
    const auto name = directory + "/" + std::string(prefix) + std::to_string(::getpid()) + "-" +
                      std::to_string(std::random_device{}());
    if (::mkdir(name.c_str(), 0700) != 0) return cannot_write(directory);
    const int own = ::open(name.c_str(), O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC);
    struct stat info{};
    if (own >= 0 && ::flock(own, LOCK_EX | LOCK_NB) == 0 && ::fstat(own, &info) == 0 && info.st_nlink > 0) {
      directory_ = name;
      descriptors_.push_back(own);
      return {};
    }
    ::rmdir(name.c_str());
    if (own >= 0) ::close(own);
  }
  return Fault{FaultKind::system, "other measurements take the files of this one away", directory,
               "repeat it when they are done"};
}

Outcome<std::unique_ptr<OwnFiles>> OwnFiles::make(const std::string& directory, int count) {
  if (directory.empty()) return Fault{FaultKind::bad_request, "no directory is named", "",
                                       "give a directory on the volume"};
  remove_leftovers(directory);
  std::unique_ptr<OwnFiles> out(new OwnFiles);
  if (auto made = out->make_directory(directory); !made) return made.error();
  for (int i = 0; i < count; ++i) {
    const auto file = out->directory_ + "/" + std::to_string(i);
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
