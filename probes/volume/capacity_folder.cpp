#include "probes/volume/capacity_folder.hpp"

#include "probes/volume/apart.hpp"

#include <fcntl.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>

namespace tallywire::volume {
namespace {

Descriptor open_folder(const std::string& path) { return Descriptor(::open(path.c_str(), O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC)); }

bool lock(const Descriptor& folder) { return ::flock(folder.fd(), LOCK_EX | LOCK_NB) == 0; }

bool write_whole(int fd, const std::uint8_t* octets, std::size_t count, off_t at) {
  const auto wrote = ::pwrite(fd, octets, count, at);
  if (wrote >= 0 && wrote != static_cast<ssize_t>(count)) errno = ENOSPC;
  return wrote == static_cast<ssize_t>(count);
}

Fault held(const std::string& path) {
  return {FaultKind::bad_request, "another true-capacity run is under way there", path, "wait for it, or end it with Ctrl-C"};
}

}  // namespace

Outcome<std::unique_ptr<CapacityFolder>> CapacityFolder::open(const std::string& directory) {
  const auto path = directory + "/" + name;
  const bool is_made = ::mkdir(path.c_str(), 0700) == 0;
  if (!is_made && errno != EEXIST) return cannot_write(directory, errno);
  auto own = open_folder(path);
  if (own.fd() < 0) return cannot_write(directory, errno);
  if (!lock(own)) return held(path);
  struct stat info{};
  if (::fstat(own.fd(), &info) != 0 || info.st_nlink == 0) return held(path);  // abandoned between the two
  std::unique_ptr<CapacityFolder> out(new CapacityFolder(path, std::move(own)));
  const bool is_new = ::faccessat(out->own_.fd(), "state", F_OK, 0) != 0;
  auto ready = is_new ? out->begin() : out->go_on();
  if (!ready) {
    if (is_made) out->remove();
    return ready.error();
  }
  return out;
}

// The state's file comes last, whole: where it stands, the key stands.
Outcome<void> CapacityFolder::begin() {
  const auto key = make_pattern_key();
  if (!key) return Fault{FaultKind::system, "the system gives no random numbers", path_, "repeat it"};
  key_ = *key;
  const Descriptor file(open_own(own_.fd(), "key", O_WRONLY | O_CREAT | O_TRUNC));
  if (file.fd() < 0 || !write_whole(file.fd(), key_.data(), key_.size(), 0) || ::fsync(file.fd()) != 0) return cannot_write(path_, errno);
  state_ = Descriptor(open_own(own_.fd(), "state.new", O_RDWR | O_CREAT | O_TRUNC));
  if (state_.fd() < 0) return cannot_write(path_, errno);
  CapacityState first;
  if (const int error = save(first)) return cannot_write(path_, error);
  if (const int error = save(first)) return cannot_write(path_, error);
  if (::renameat(own_.fd(), "state.new", own_.fd(), "state") != 0 || ::fsync(own_.fd()) != 0) return cannot_write(path_, errno);
  state_of_run_ = first;
  return {};
}

Outcome<void> CapacityFolder::go_on() {
  const Descriptor file(open_own(own_.fd(), "key", O_RDONLY));
  state_ = Descriptor(open_own(own_.fd(), "state", O_RDWR));
  std::array<std::uint8_t, 2 * sizeof(StatePlace)> places{};
  bool is_read = false;
  if (file.fd() >= 0 && ::pread(file.fd(), key_.data(), key_.size(), 0) == static_cast<ssize_t>(key_.size()) && state_.fd() >= 0 &&
      ::pread(state_.fd(), places.data(), places.size(), 0) == static_cast<ssize_t>(places.size()))
    for (const auto place : {std::span(places).first(places.size() / 2), std::span(places).last(places.size() / 2)})
      if (auto found = decode_state(place, key_); found && (!is_read || found->sequence > state_of_run_.sequence)) state_of_run_ = *found, is_read = true;
  if (is_read) return {};
  return Fault{FaultKind::system, "what an earlier run kept of itself cannot be read back", path_,
               "a card that lies or fails does that; begin anew: remove it with --true-capacity --abandon first"};
}

int CapacityFolder::save(CapacityState& state) {
  ++state.sequence;
  const auto place = encode_state(state, key_);
  if (!write_whole(state_.fd(), place.data(), place.size(), static_cast<off_t>((state.sequence % 2) * place.size()))) return errno;
  return ::fdatasync(state_.fd()) == 0 ? 0 : errno;
}

Descriptor CapacityFolder::open_file(unsigned number, bool writes) {
  const int flags = writes ? O_WRONLY | O_CREAT : O_RDONLY;
  const auto file = std::to_string(number);
  Descriptor out(open_own(own_.fd(), file.c_str(), flags | (direct_ ? O_DIRECT : 0)));
  if (out.fd() >= 0 || errno != EINVAL || !direct_) return out;
  direct_ = false;
  return Descriptor(open_own(own_.fd(), file.c_str(), flags));
}

bool CapacityFolder::remove() {
  for (const auto* file : {"state", "state.new", "key"}) ::unlinkat(own_.fd(), file, 0);
  unlink_numbers(own_.fd());
  return ::rmdir(path_.c_str()) == 0;
}

Outcome<bool> CapacityFolder::abandon(const std::string& directory) {
  const std::atomic<bool> goes_on{false};
  return apart<bool>(directory, std::chrono::minutes(2), std::chrono::minutes(2), goes_on, {}, [directory](Signs&) { return remove_now(directory); });
}

Outcome<bool> CapacityFolder::remove_now(const std::string& directory) {
  const auto path = directory + "/" + name;
  auto own = open_folder(path);
  if (own.fd() < 0 && errno == ENOENT && ::access(directory.c_str(), F_OK) == 0) return false;
  if (own.fd() < 0) return cannot_write(directory, errno);
  if (!lock(own)) return held(path);
  CapacityFolder folder(path, std::move(own));
  if (!folder.remove()) return cannot_write(path, errno);
  return true;
}

void CapacityFolder::remove_if_old(const std::string& directory, std::chrono::system_clock::time_point now) {
  const auto path = directory + "/" + name;
  auto own = open_folder(path);
  if (own.fd() < 0 || !lock(own)) return;
  struct stat state{};
  if (::fstatat(own.fd(), "state", &state, AT_SYMLINK_NOFOLLOW) != 0 && ::fstat(own.fd(), &state) != 0) return;
  if (now - std::chrono::system_clock::from_time_t(state.st_mtime) > kept_for) CapacityFolder(path, std::move(own)).remove();
}

bool CapacityFolder::stands_in(const std::string& directory) { return ::access((directory + "/" + name).c_str(), F_OK) == 0; }

}  // namespace tallywire::volume
