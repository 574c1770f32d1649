// tallywired: composes the rooms, and ends them in order.
#include "config/loader.hpp"
#include "config/secrets.hpp"
#include "config/settings.hpp"
#include "daemon/api/server.hpp"
#include "daemon/board/files.hpp"
#include "daemon/site_service.hpp"
#include "daemon/site_thinning.hpp"
#include "probes/open_files.hpp"
#include "probes/path/far_end.hpp"
#include "probes/volume/own_files.hpp"

#include <CLI/CLI.hpp>


#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/signal_set.hpp>
#include <boost/asio/steady_timer.hpp>
#include <spdlog/sinks/stdout_sinks.h>
#include <spdlog/spdlog.h>
#include <systemd/sd-daemon.h>

#include <malloc.h>

#include <csignal>
#include <cstdio>
#include <cstdlib>

using namespace tallywire;
namespace asio = boost::asio;
using namespace std::chrono_literals;

namespace {

constexpr int wrong_request = 2;
constexpr auto longest_end = 18s;  // a look at a silent switch takes 15 s more; systemd waits 20 s

struct Arguments {
  std::string settings, design, secrets, record, socket;
  std::vector<std::string> interfaces;
  int loopback_port = -1;
};

struct Loaded {
  config::Settings settings;
  std::optional<config::Design> design;
  config::Secrets secrets;
};

// Everything that is wrong with the files is told at once; then there is nothing to run.
std::optional<Loaded> load(const Arguments& arguments) {
  Loaded out;
  bool well = true;
  const auto tell = [&well](const std::string& sentence) {
    std::fprintf(stderr, "%s\n", sentence.c_str());
    well = false;
  };
  auto settings = config::load_settings(arguments.settings);
  for (const auto& fault : settings.faults) tell(fault.sentence());
  out.settings = std::move(settings.settings);
  if (!arguments.design.empty()) {
    auto design = config::load_design(arguments.design);
    for (const auto& fault : design.faults) tell(fault.sentence());
    out.design = std::move(design.design);
  } else if (!out.settings.far_end) {
    tell("nothing to do: give --design, or “far_end” in the settings");
  } else if (out.settings.tap) {
    tell("“tap” in the settings needs --design: without it nothing says what its streams are for");
  }
  auto secrets = config::load_secrets(arguments.secrets);
  for (const auto& fault : secrets.faults) tell(fault);
  out.secrets = std::move(secrets.secrets);
  if (!arguments.interfaces.empty()) out.settings.interfaces = arguments.interfaces;
  if (!arguments.record.empty()) out.settings.record_directory = arguments.record;
  if (!arguments.socket.empty()) out.settings.socket = arguments.socket;
  if (arguments.loopback_port >= 0) out.settings.loopback_tcp_port = static_cast<std::uint16_t>(arguments.loopback_port);
  if (!well) return std::nullopt;
  return out;
}

std::string key_named(const config::Secrets& secrets, const std::string& name) {
  const auto key = secrets.key(name);
  if (!key) throw FaultError({FaultKind::bad_request, "there is no secret “" + name + "”", "the secrets file", "add it, see docs/design-file.md"});
  return *key;
}

api::ServerSettings server_settings(const Loaded& loaded) {
  api::ServerSettings out;
  out.socket = loaded.settings.socket;
  out.loopback_tcp_port = loaded.settings.loopback_tcp_port;
  // A listening socket handed over by whoever started us (systemd's socket activation protocol).
  if (sd_listen_fds(0) >= 1) out.inherited_listener = SD_LISTEN_FDS_START;
  if (loaded.settings.open_door) {
    const auto& door = *loaded.settings.open_door;
    out.open_door = api::OpenDoorSettings{door.address, door.tcp_port, door.certificate_file, door.key_file,
                                          key_named(loaded.secrets, door.token_secret)};
  }
  return out;
}

// Tells systemd that we live, as often as it asks for.
class Heart {
 public:
  explicit Heart(asio::io_context& context) : timer_(context) {
    std::uint64_t microseconds = 0;
    if (sd_watchdog_enabled(0, &microseconds) > 0) beat_ = std::chrono::microseconds(microseconds / 3);
  }
  void start() {
    sd_notify(0, "READY=1");
    if (beat_.count() > 0) beat();
  }

 private:
  void beat() {
    sd_notify(0, "WATCHDOG=1");
    timer_.expires_after(beat_);
    timer_.async_wait([this](const boost::system::error_code& code) {
      if (!code) beat();
    });
  }
  asio::steady_timer timer_;
  std::chrono::microseconds beat_{0};
};

void take(Outcome<void> outcome) {
  if (!outcome) throw FaultError(outcome.error());
}

// The site's service with all it stands on.
class SiteParts {
 public:
  SiteParts(asio::io_context& context, asio::thread_pool& blocking, const Loaded& loaded)
      : record_(opened(loaded.settings.record_directory)),
        feed_(context, *record_, writing_),
        thinning_(*record_, writing_),
        service_({context, *loaded.design, loaded.secrets, *record_, feed_, blocking, writing_, [this] { thinning_.start(); }, loaded.settings.telling},
                 loaded.settings.interfaces, loaded.settings.tap,
                 std::chrono::seconds(loaded.settings.switch_looks_s)),
        routes_(service_, *record_, feed_, board::files(), reading_, writing_),
        server_(context, routes_, *record_, feed_, reading_, server_settings(loaded)) {
    take(server_.start());
    take(service_.start());
    thinning_.start();
    spdlog::info("site “{}”: {} cameras; the page is on http://127.0.0.1:{}", loaded.design->site.name,
                 loaded.design->cameras.size(), server_.loopback_tcp_port());
  }
  ~SiteParts() {
    server_.stop();
    thinning_.stop();
    writing_.join();  // what was read is kept before we go
    reading_.join();
  }
  void stop() { service_.stop(); }
  // Without waiting for what does not end: what was read is kept, and the doors are closed.
  void leave() {
    server_.stop();
    thinning_.stop();
    writing_.join();
  }
  bool finished() const { return service_.finished(); }

 private:
  static std::unique_ptr<record::Record> opened(const std::string& directory) {
    auto out = record::Record::open(directory);
    if (!out) throw FaultError(out.error());
    return std::move(*out);
  }
  asio::thread_pool writing_{1};
  asio::thread_pool reading_{1};
  std::unique_ptr<record::Record> record_;
  api::EventFeed feed_;
  SiteThinning thinning_;
  SiteService service_;
  api::Routes routes_;
  api::Server server_;
};

// What a killed service left on the volumes that it measures. A volume that hangs holds up nothing else.
void clear_volumes(const Loaded& loaded, asio::thread_pool& blocking) {
  std::vector<std::string> paths;
  if (loaded.settings.far_end)
    for (const auto& [name, path] : loaded.settings.far_end->volumes) paths.push_back(path);
  if (loaded.design)
    for (const auto& recorder : loaded.design->recorders)
      for (const auto& volume : recorder.volumes)
        if (!volume.on_far_end) paths.push_back(volume.path);
  for (const auto& path : paths)
    asio::post(blocking, [path] {
      if (const int removed = volume::remove_leftovers(path)) spdlog::info("{}: removed what {} killed measurements had left", path, removed);
    });
}

int run(const Loaded& loaded) {
  asio::io_context context(1);
  asio::thread_pool blocking(4);
  std::optional<path::FarEnd> far_end;
  if (loaded.settings.far_end) {
    const auto& f = *loaded.settings.far_end;
    far_end.emplace(context, blocking, path::FarEndSettings{f.address, f.tcp_port, key_named(loaded.secrets, f.key_secret), f.volumes,
                                                           f.plain_reflector_port, f.plain_reflector_for});
    take(far_end->start());
    spdlog::info("far end on {}:{}, {} volumes", f.address, f.tcp_port, f.volumes.size());
  }
  std::optional<SiteParts> site;
  if (loaded.design) site.emplace(context, blocking, loaded);
  clear_volumes(loaded, blocking);
  malloc_trim(0);
  asio::signal_set signals(context, SIGINT, SIGTERM);
  asio::steady_timer patience(context);
  bool stopping = false;
  std::function<void()> leave_when_done = [&] {
    static int waited = 0;
    const bool done = (!site || site->finished()) && (!far_end || far_end->finished());
    if (done || ++waited > longest_end / 100ms) return context.stop();
    patience.expires_after(100ms);
    patience.async_wait([&](const boost::system::error_code&) { leave_when_done(); });
  };
  std::function<void(const boost::system::error_code&, int)> on_signal = [&](const boost::system::error_code& code, int) {
    if (code || stopping) return;
    stopping = true;
    sd_notify(0, "STOPPING=1");
    spdlog::info("stopping");
    if (far_end) far_end->stop();
    if (site) site->stop();
    leave_when_done();
  };
  signals.async_wait(on_signal);
  Heart heart(context);
  heart.start();
  context.run();
  // What still waits refers to the site: were it let go after the site, it would touch what is gone.
  if (site && !site->finished()) {
    spdlog::warn("what runs did not end within {} s and is left", longest_end / 1s);
    site->leave();
    spdlog::shutdown();
    std::_Exit(0);
  }
  blocking.join();
  return 0;
}

// A box beside a switch has little memory. Large texts (a design, an answer of thousands of units) go back to the system when
// they are let go, and what reading the design took goes back at once.
void keep_little_memory() {
  mallopt(M_MMAP_THRESHOLD, 256 * 1024);
  mallopt(M_TRIM_THRESHOLD, 1024 * 1024);
  mallopt(M_ARENA_MAX, 2);
}

}  // namespace

int main(int argc, char** argv) {
  raise_open_files_limit();
  keep_little_memory();
  Arguments arguments;
  CLI::App app{"tallywired: the service that proves a camera network against its design", "tallywired"};
  app.set_version_flag("--version", TALLYWIRE_VERSION);
  app.add_option("--settings", arguments.settings, "the settings file, see docs/design-file.md");
  app.add_option("--design", arguments.design, "the design of the site");
  app.add_option("--secrets", arguments.secrets, "the file of secrets, mode 0600");
  app.add_option("--record", arguments.record, "where the record is kept, instead of the settings'");
  app.add_option("--socket", arguments.socket, "the Unix socket, instead of the settings'");
  app.add_option("--interface", arguments.interfaces, "listen here, instead of the settings' interfaces");
  app.add_option("--loopback-port", arguments.loopback_port, "TCP port of the page on loopback")->check(CLI::Range(0, 65535));
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& e) {
    return app.exit(e) == 0 ? 0 : wrong_request;
  }
  auto loaded = load(arguments);
  if (!loaded) return wrong_request;
  spdlog::set_default_logger(spdlog::stderr_logger_mt("tallywired"));
  spdlog::set_pattern("%Y-%m-%dT%H:%M:%S.%e %l %v");
  spdlog::set_level(spdlog::level::from_str(loaded->settings.log_level));
  std::signal(SIGPIPE, SIG_IGN);
  try {
    return run(*loaded);
  } catch (const FaultError& e) {
    std::fprintf(stderr, "tallywired: %s\n", e.what());
    return e.fault.kind == FaultKind::bad_request ? wrong_request : 1;
  } catch (const std::exception& e) {
    std::fprintf(stderr, "tallywired: %s\n", e.what());
    return 1;
  }
}
