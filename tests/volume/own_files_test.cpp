// The check is the file system itself: what stands in the directory before and after. Locks are flock(2)'s.
#include "probes/volume/own_files.hpp"

#include <catch2/catch.hpp>

#include <fcntl.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <set>

namespace fs = std::filesystem;
using tallywire::FaultKind;
using tallywire::volume::Descriptor;
using tallywire::volume::IoMode;
using tallywire::volume::OwnFiles;
using tallywire::volume::remove_leftovers;

namespace {

struct Folder {
  Folder() {
    std::string name = (fs::temp_directory_path() / "tallywire-own-files-XXXXXX").string();
    REQUIRE(::mkdtemp(name.data()) != nullptr);
    path = name;
  }
  ~Folder() { fs::remove_all(path); }
  void file(const fs::path& name) const { std::ofstream(path / name) << "somebody's"; }
  void directory(const fs::path& name) const { fs::create_directory(path / name); }
  std::set<std::string> names() const {
    std::set<std::string> out;
    for (const auto& entry : fs::directory_iterator(path)) out.insert(entry.path().filename().string());
    return out;
  }

  fs::path path;
};

}  // namespace

TEST_CASE("files stand in one directory of their own and go with the object") {
  const Folder folder;
  folder.file("recording");
  {
    auto files = OwnFiles::make(folder.path, IoMode::automatic);
    REQUIRE(files.has_value());
    CHECK(folder.names().size() == 2);
    for (unsigned i = 0; i < 3; ++i) {
      const Descriptor writer((*files)->open_for_writing(i)), reader((*files)->open_for_reading(i));
      CHECK(::fcntl(writer.fd(), F_GETFL) % 4 == O_WRONLY);
      CHECK(::fcntl(reader.fd(), F_GETFL) % 4 == O_RDONLY);
    }
    CHECK((*files)->open_for_reading(3) == -1);
  }
  CHECK(folder.names() == std::set<std::string>{"recording"});
}

TEST_CASE("only what a killed measurement left is removed") {
  const Folder folder;
  folder.directory(".tallywire-volume-4711-99");
  folder.file(".tallywire-volume-4711-99/0");
  folder.file(".tallywire-volume-4711-99/12");
  folder.directory(".tallywire-volume-4711-100");  // killed before its first file
  folder.file(".tallywire-volume-notes");
  folder.file(".tallywire-volume-1-2");
  folder.directory(".tallywire-volume-old");
  folder.file(".tallywire-volume-old/0");
  folder.directory(".tallywire-volume-1-2-3");
  folder.directory("recordings");
  folder.file("recordings/0");
  fs::create_directory_symlink("recordings", folder.path / ".tallywire-volume-5-6");
  CHECK(remove_leftovers(folder.path) == 2);
  CHECK(folder.names() == std::set<std::string>{".tallywire-volume-notes", ".tallywire-volume-1-2", ".tallywire-volume-old",
                                                ".tallywire-volume-1-2-3", "recordings", ".tallywire-volume-5-6"});
  CHECK(fs::exists(folder.path / ".tallywire-volume-old/0"));
  CHECK(fs::exists(folder.path / "recordings/0"));
}

TEST_CASE("somebody's file inside a leftover stays, and its directory with it") {
  const Folder folder;
  folder.directory(".tallywire-volume-7-8");
  folder.file(".tallywire-volume-7-8/0");
  folder.file(".tallywire-volume-7-8/letter");
  folder.directory(".tallywire-volume-7-8/1");
  folder.file(".tallywire-volume-7-8/1/deep");
  CHECK(remove_leftovers(folder.path) == 0);
  CHECK_FALSE(fs::exists(folder.path / ".tallywire-volume-7-8/0"));
  CHECK(fs::exists(folder.path / ".tallywire-volume-7-8/letter"));
  CHECK(fs::exists(folder.path / ".tallywire-volume-7-8/1/deep"));
}

TEST_CASE("a measurement under way keeps its files when another starts or tidies") {
  const Folder folder;
  auto first = OwnFiles::make(folder.path, IoMode::automatic);
  REQUIRE(first.has_value());
  CHECK(remove_leftovers(folder.path) == 0);
  auto second = OwnFiles::make(folder.path, IoMode::automatic);
  REQUIRE(second.has_value());
  CHECK(folder.names().size() == 2);
  first->reset();
  CHECK(folder.names().size() == 1);
}

TEST_CASE("what cannot be written to is refused by its own name") {
  const Folder folder;
  folder.file("recording");
  const auto missing = OwnFiles::make(folder.path / "nowhere", IoMode::automatic);
  REQUIRE_FALSE(missing.has_value());
  CHECK(missing.error().kind == FaultKind::bad_request);
  const auto file = OwnFiles::make(folder.path / "recording", IoMode::automatic);
  REQUIRE_FALSE(file.has_value());
  CHECK(file.error().kind == FaultKind::bad_request);
  // An empty path is not the root directory.
  const auto empty = OwnFiles::make("", IoMode::automatic);
  REQUIRE_FALSE(empty.has_value());
  CHECK(empty.error().kind == FaultKind::bad_request);
  CHECK(folder.names() == std::set<std::string>{"recording"});
}

TEST_CASE("what somebody put where a file of ours would stand is not written, and nobody waits for it") {
  const Folder folder;
  folder.file("recording");
  auto files = OwnFiles::make(folder.path, IoMode::automatic);
  REQUIRE(files.has_value());
  auto names = folder.names();
  names.erase("recording");
  const auto own = folder.path / *names.begin();
  fs::create_hard_link(folder.path / "recording", own / "5");
  fs::create_symlink(folder.path / "recording", own / "6");
  REQUIRE(::mkfifo((own / "7").c_str(), 0600) == 0);
  for (const unsigned number : {5U, 6U, 7U}) {
    CHECK((*files)->open_for_writing(number) == -1);
    CHECK((*files)->open_for_reading(number) == -1);
  }
  CHECK(fs::file_size(folder.path / "recording") == 10);
  (*files)->remove();
  CHECK(folder.names() == std::set<std::string>{"recording"});
  CHECK(fs::file_size(folder.path / "recording") == 10);
}
