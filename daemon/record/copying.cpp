#include "daemon/record/copying.hpp"

#include "daemon/record/connection.hpp"

#include <fcntl.h>
#include <sys/file.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include <cerrno>
#include <cstdio>
#include <cstring>
#include <filesystem>

namespace tallywire::record {

namespace {

constexpr int pages_a_step = 64;  // 256 KiB

Fault cannot(const std::string& what, const std::string& file) {
  return {FaultKind::system, what + ": " + std::strerror(errno), file, "check the directory, the right to write there, and the free space"};
}

// The copy while it is no whole one. Removed unless it was kept.
class Part {
 public:
  explicit Part(const std::string& file) : path_(file + ".part") {}
  ~Part() {
    if (file_ < 0) return;
    if (!kept_) ::unlink(path_.c_str());
    ::close(file_);
  }
  Part(const Part&) = delete;
  Part& operator=(const Part&) = delete;

  const std::string& path() const { return path_; }

  // What a killed copy left has no owner; what another copy writes has.
  Outcome<void> open() {
    const int file = ::open(path_.c_str(), O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0640);
    if (file < 0) return cannot("the copy cannot be written", path_);
    if (::flock(file, LOCK_EX | LOCK_NB) != 0) {
      ::close(file);
      return Fault{FaultKind::bad_request, "this copy is being made already", path_, "wait for its end"};
    }
    file_ = file;
    if (::ftruncate(file_, 0) != 0) return cannot("the copy cannot be written", path_);
    return {};
  }

  // On the disk, then under its name, unless somebody has taken that meanwhile.
  Outcome<void> keep(const std::string& name) {
    if (::fsync(file_) != 0) return cannot("the copy cannot be written", path_);
    if (::renameat2(AT_FDCWD, path_.c_str(), AT_FDCWD, name.c_str(), RENAME_NOREPLACE) != 0) {
      if (errno == EEXIST) return Fault{FaultKind::bad_request, "the file is there already", name, "name another one"};
      return cannot("the copy cannot get its name", name);
    }
    kept_ = true;
    const auto directory = std::filesystem::path(name).parent_path();
    const int opened = ::open(directory.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    const bool synced = opened >= 0 && ::fsync(opened) == 0;
    if (opened >= 0) ::close(opened);
    if (!synced) return cannot("the copy's name may not survive a loss of power", name);
    return {};
  }

 private:
  std::string path_;
  int file_ = -1;
  bool kept_ = false;
};

Outcome<void> check_room(const std::string& path, std::int64_t bytes) {
  struct statvfs room {};
  if (::statvfs(path.c_str(), &room) != 0) return cannot("the copy cannot be written", path);
  const auto free = static_cast<double>(room.f_bavail) * static_cast<double>(room.f_frsize);
  if (free < static_cast<double>(bytes))
    return Fault{FaultKind::system, "there is no room for the copy: it takes " + std::to_string(bytes / 1'000'000 + 1) + " MB", path,
                 "free space there, or name another disk"};
  return {};
}

Outcome<std::int64_t> pragma(Connection& from, const char* text) {
  Statement row(from.database, from.where, text);
  if (auto there = row.step(); !there) return there.error();
  return row.integer(0);
}

Outcome<void> back_up(Connection& from, Connection& to, const std::function<bool(std::int64_t, std::int64_t)>& goes_on) {
  auto page = pragma(from, "PRAGMA page_size");
  if (!page) return page.error();
  auto pages = pragma(from, "PRAGMA page_count");
  if (!pages) return pages.error();
  if (auto room = check_room(to.where, *page * *pages); !room) return room.error();
  auto* backup = sqlite3_backup_init(to.database, "main", from.database, "main");
  if (!backup) return fault_of(to.database, to.where);
  int code = SQLITE_OK;
  while (code == SQLITE_OK) {
    code = sqlite3_backup_step(backup, pages_a_step);
    const auto all = sqlite3_backup_pagecount(backup), left = sqlite3_backup_remaining(backup);
    if (code == SQLITE_OK && !goes_on((all - left) * *page, all * *page)) {
      sqlite3_backup_finish(backup);
      return Fault{FaultKind::cancelled, "the copy was stopped", to.where, ""};
    }
  }
  if (sqlite3_backup_finish(backup) != SQLITE_OK) return fault_of(to.database, to.where);
  return {};
}

}  // namespace

Outcome<void> copy_record(const std::string& record, const std::string& file, const std::function<bool(std::int64_t, std::int64_t)>& goes_on) {
  if (::access(file.c_str(), F_OK) == 0) return Fault{FaultKind::bad_request, "the file is there already", file, "name another one"};
  Part part(file);
  if (auto opened = part.open(); !opened) return opened.error();
  {
    Connection from(record), to(part.path());
    if (auto opened = from.open(SQLITE_OPEN_READONLY); !opened) return opened.error();
    if (auto opened = to.open(SQLITE_OPEN_READWRITE); !opened) return opened.error();
    // One snapshot for all steps: without it, each write beside would make the backup begin anew.
    Statement begin(from.database, from.where, "BEGIN"), look(from.database, from.where, "SELECT count(*) FROM sqlite_schema");
    if (auto begun = begin.run(); !begun) return begun.error();
    if (auto looked = look.step(); !looked) return looked.error();
    // The part is thrown away when it is not whole: it needs no journal, and one sync at its end.
    sqlite3_exec(to.database, "PRAGMA journal_mode=OFF; PRAGMA synchronous=OFF;", nullptr, nullptr, nullptr);
    if (auto done = back_up(from, to, goes_on); !done) return done.error();
  }
  return part.keep(file);
}

Outcome<void> Copying::start(const std::string& file) {
  if (record_ == ":memory:") return Fault{FaultKind::bad_request, "this record is in memory only", "", ""};
  // What comes after a NUL the kernel does not see: the ending would be another than the one that was looked at.
  if (file.empty() || file.front() != '/' || !file.ends_with(".sqlite") || file.find('\0') != std::string::npos)
    return Fault{FaultKind::bad_request, "a copy needs an absolute path that ends in .sqlite", file, "as /srv/copies/record.sqlite"};
  if (::access(file.c_str(), F_OK) == 0) return Fault{FaultKind::bad_request, "the file is there already", file, "name another one"};
  const std::lock_guard hold(lock_);
  if (state_ && state_->state == "running") return Fault{FaultKind::bad_request, "a copy is being made already", state_->file, "wait for its end"};
  if (thread_.joinable()) thread_.join();  // it has told its end
  state_ = CopyState{file, "running", now_utc(), std::nullopt, 0, 0, std::nullopt};
  thread_ = std::thread([this, file] {
    auto done = copy_record(record_, file, [this](std::int64_t done_bytes, std::int64_t all_bytes) {
      const std::lock_guard held(lock_);
      state_->done_bytes = done_bytes;
      state_->all_bytes = all_bytes;
      return !stopped_;
    });
    const std::lock_guard held(lock_);
    state_->ended = now_utc();
    state_->state = done ? "complete" : "failed";
    if (done) state_->done_bytes = state_->all_bytes;
    else state_->fault = done.error();
  });
  return {};
}

std::optional<CopyState> Copying::state() {
  const std::lock_guard hold(lock_);
  return state_;
}

void Copying::stop() {
  stopped_ = true;
  if (thread_.joinable()) thread_.join();
}

}  // namespace tallywire::record
