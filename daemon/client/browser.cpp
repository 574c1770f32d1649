#include "daemon/client/browser.hpp"

#include <fcntl.h>
#include <sched.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <csignal>
#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <optional>
#include <thread>
#include <vector>

namespace tallywire::client {

using namespace std::chrono_literals;

namespace {

constexpr std::array<const char*, 4> names = {"chromium", "chromium-browser", "google-chrome-stable", "google-chrome"};

// A directory of our own, gone with all that is in it.
class PrivateDirectory {
 public:
  PrivateDirectory() {
    const char* base = std::getenv("TMPDIR");
    path_ = std::string(base && *base ? base : "/tmp") + "/tallywire-sheet.XXXXXX";
    if (!::mkdtemp(path_.data())) path_.clear();
  }
  ~PrivateDirectory() {
    std::error_code ignored;
    if (!path_.empty()) std::filesystem::remove_all(path_, ignored);
  }
  PrivateDirectory(const PrivateDirectory&) = delete;
  PrivateDirectory& operator=(const PrivateDirectory&) = delete;
  const std::string& path() const { return path_; }

 private:
  std::string path_;
};

std::vector<std::string> arguments_of(const std::string& browser, const std::string& own) {
  std::vector<std::string> out = {browser, "--headless", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run", "--no-default-browser-check",
      "--disable-extensions",
                                  "--disable-background-networking", "--disable-component-update", "--disable-sync", "--host-resolver-rules=MAP * ~NOTFOUND",
                                  "--user-data-dir=" + own + "/profile", "--no-pdf-header-footer", "--print-to-pdf=" + own + "/sheet.pdf"};
  // Chromium's sandbox refuses root; the page is ours, without script and without requests.
  if (::geteuid() == 0) out.emplace_back("--no-sandbox");
  out.push_back("file://" + own + "/sheet.html");
  return out;
}

std::vector<char*> pointers(std::vector<std::string>& texts) {
  std::vector<char*> out;
  for (auto& text : texts) out.push_back(text.data());
  out.push_back(nullptr);
  return out;
}

// Runs in the child, between fork and exec: calls that are safe there, and nothing else.
[[noreturn]] void become_browser(char* const* arguments, char* const* environment, int log) {
  ::setsid();
  if (::geteuid() == 0) {
    const int kept_apart = ::unshare(CLONE_NEWNET);  // where this is not permitted, the arguments still hold
    static_cast<void>(kept_apart);
  }
  ::dup2(log, STDOUT_FILENO);
  ::dup2(log, STDERR_FILENO);
  ::execve(arguments[0], arguments, environment);
  ::_exit(127);
}

// The exit status; none when it had to be ended.
std::optional<int> wait_for(pid_t child, std::chrono::milliseconds limit, const std::atomic<bool>& stop) {
  const auto end = std::chrono::steady_clock::now() + limit;
  int status = 0;
  while (::waitpid(child, &status, WNOHANG) == 0) {
    if (std::chrono::steady_clock::now() >= end || stop.load()) {
      ::kill(-child, SIGKILL);
      ::kill(child, SIGKILL);  // it may not have become a group's leader yet
      ::waitpid(child, &status, 0);
      return std::nullopt;
    }
    std::this_thread::sleep_for(20ms);
  }
  ::kill(-child, SIGKILL);  // what it left behind
  return WIFEXITED(status) ? WEXITSTATUS(status) : 128;
}

std::string last_line(const std::string& path) {
  std::ifstream in(path);
  std::string line, last;
  while (std::getline(in, line))
    if (!line.empty()) last = line;
  return last.substr(0, 300);
}

bool is_pdf(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  char head[5] = {};
  in.read(head, sizeof head);
  return in.gcount() == sizeof head && std::memcmp(head, "%PDF-", sizeof head) == 0;
}

Fault system_fault(const std::string& what, const std::string& where) {
  return {FaultKind::system, what + ": " + std::strerror(errno), where, "check the directory, the right to write there and the free space"};
}

Outcome<int> run(const std::string& browser, const std::string& own, std::chrono::milliseconds limit, const std::atomic<bool>& stop) {
  auto arguments = arguments_of(browser, own);
  std::vector<std::string> environment = {"HOME=" + own, "TMPDIR=" + own, "XDG_CONFIG_HOME=" + own, "XDG_CACHE_HOME=" + own, "LANG=C.UTF-8"};
  if (const char* path = std::getenv("PATH")) environment.push_back(std::string("PATH=") + path);
  const auto argument_pointers = pointers(arguments), environment_pointers = pointers(environment);
  const int log = ::open((own + "/log").c_str(), O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
  if (log < 0) return system_fault("nothing can be written", own);
  const pid_t child = ::fork();
  if (child == 0) become_browser(argument_pointers.data(), environment_pointers.data(), log);
  ::close(log);
  if (child < 0) return system_fault("the browser cannot be started", browser);
  const auto status = wait_for(child, limit, stop);
  if (!status && stop.load()) return Fault{FaultKind::cancelled, "printing was ended", browser, ""};
  if (!status)
    return Fault{FaultKind::timed_out, "the browser did not print within " + std::to_string(limit / 1s) + " s", browser,
        "try again when the machine is less busy; the HTML file can be printed from any browser"};
  return *status;
}

}  // namespace

Outcome<std::string> find_browser(const std::string& wanted) {
  if (!wanted.empty()) {
    if (::access(wanted.c_str(), X_OK) == 0 && std::filesystem::is_regular_file(wanted)) return std::filesystem::absolute(wanted).string();
    return Fault{FaultKind::bad_request, "there is no program that can be run", wanted, "give the path of a Chromium with --browser"};
  }
  std::string rest = std::getenv("PATH") ? std::getenv("PATH") : "";
  rest += ":/snap/bin";
  for (const char* name : names)
    for (std::size_t begin = 0; begin < rest.size();) {
      const auto end = std::min(rest.find(':', begin), rest.size());
      const auto path = rest.substr(begin, end - begin) + "/" + name;
      if (path.front() == '/' && ::access(path.c_str(), X_OK) == 0) return path;
      begin = end + 1;
    }
  return Fault{FaultKind::system, "no Chromium is on this machine, and the PDF is printed by one", "",
               "apt-get install chromium, or give --browser PATH; or write the sheet with --out FILE.html and print that from any browser"};
}

Outcome<void> print_to_pdf(const std::string& browser, const std::string& html, const std::string& pdf, std::chrono::milliseconds limit,
    const std::atomic<bool>& stop) {
  const PrivateDirectory own;
  if (own.path().empty()) return system_fault("no directory can be made for the browser", "/tmp");
  std::ofstream page(own.path() + "/sheet.html", std::ios::binary);
  page << html;
  page.close();
  if (!page) return system_fault("the page cannot be written for the browser", own.path());
  auto status = run(browser, own.path(), limit, stop);
  if (!status) return status.error();
  const auto made = own.path() + "/sheet.pdf";
  if (*status != 0 || !is_pdf(made))
    return Fault{FaultKind::system, "the browser printed nothing (exit code " + std::to_string(*status) + "): " + last_line(own.path() + "/log"), browser,
                 "try another with --browser; the HTML file can be printed from any browser"};
  std::error_code code;
  std::filesystem::copy_file(made, pdf, code);
  if (!code) return {};
  std::error_code ignored;
  if (code != std::errc::file_exists) std::filesystem::remove(pdf, ignored);
  return Fault{FaultKind::system, "the PDF cannot be written: " + code.message(), pdf, "check the directory, the right to write there and the free space"};
}

}  // namespace tallywire::client
