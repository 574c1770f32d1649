// The files that a measurement makes: in a directory of their own, gone with this object.
#pragma once

#include "probes/fault.hpp"

#include <memory>
#include <string>
#include <vector>

namespace tallywire::volume {

class OwnFiles {
 public:
  // Removes what a killed measurement left in `directory`, then makes `count` files. With direct I/O where the
  // file system takes it.
  static Outcome<std::unique_ptr<OwnFiles>> make(const std::string& directory, int count);
  ~OwnFiles();
  OwnFiles(const OwnFiles&) = delete;
  OwnFiles& operator=(const OwnFiles&) = delete;

  int count() const { return static_cast<int>(names_.size()); }
  int descriptor(int file) const { return descriptors_[static_cast<std::size_t>(file) + 1]; }
  bool direct() const { return direct_; }

 private:
  OwnFiles() = default;
  Outcome<void> make_directory(const std::string& directory);

  std::string directory_;
  std::vector<std::string> names_;
  std::vector<int> descriptors_;
  bool direct_ = true;
};

// Takes away the leftovers of measurements whose process is gone; returns how many directories.
int remove_leftovers(const std::string& directory);

}  // namespace tallywire::volume
