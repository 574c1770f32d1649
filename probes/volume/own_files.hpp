// The files that a measurement makes: in a directory of their own, gone with this object. A measurement holds a lock on its
// directory as long as it lives; what a killed one left is removed at the next start on the same directory.
#pragma once

#include "probes/fault.hpp"

#include <atomic>
#include <memory>
#include <string>
#include <vector>

namespace tallywire::volume {

enum class IoMode { automatic, direct, buffered };

// A descriptor that is closed with this object.
class Descriptor {
 public:
  explicit Descriptor(int fd = -1) : fd_(fd) {}
  Descriptor(Descriptor&& other) noexcept : fd_(other.fd_) { other.fd_ = -1; }
  Descriptor& operator=(Descriptor&& other) noexcept;
  ~Descriptor();
  int fd() const { return fd_; }

 private:
  int fd_;
};

class OwnFiles {
 public:
  // Removes leftovers in `directory`, then makes the own one, and tries there whether the file system takes direct I/O.
  static Outcome<std::shared_ptr<OwnFiles>> make(const std::string& directory, IoMode mode);
  ~OwnFiles() { remove(); }
  OwnFiles(const OwnFiles&) = delete;
  OwnFiles& operator=(const OwnFiles&) = delete;

  // File `number` for writing, made when it is not there yet. From any thread. errno is that of open(2) when the answer is -1.
  int open_for_writing(unsigned number) const;
  // The same for reading; it must be there.
  int open_for_reading(unsigned number) const;
  bool direct() const { return direct_; }
  // Takes everything away; false when something stays, as on a device that is gone. The destructor does it too.
  bool remove();

 private:
  OwnFiles() = default;
  Outcome<void> make_directory(const std::string& directory);

  std::string directory_;
  Descriptor own_;
  bool direct_ = true;
};

// Takes away the leftovers of measurements whose process is gone; returns how many directories.
int remove_leftovers(const std::string& directory);
// Removes the files in an open directory whose names are numbers, as we give them; nothing else, and no directory.
void unlink_numbers(int directory);
// A file in our directory, which was made by us: no link, no pipe, no device, and no second name of somebody's file, or -1 with errno
// EEXIST. Truncated after that, when `flags` say so.
int open_own(int directory, const char* name, int flags);
// What the system said when a file could not be made or written in `directory`, for a person.
Fault cannot_write(const std::string& directory, int error);

}  // namespace tallywire::volume
