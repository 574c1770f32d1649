#include "daemon/client/command.hpp"

#include "daemon/client/commands.hpp"
#include "daemon/client/typed.hpp"

#include <CLI/CLI.hpp>
#include <unistd.h>

#include <cstdio>
#include <filesystem>

namespace tallywire::client {
namespace {

// Options that several commands share.
void add_where(CLI::App& app, Command& c) {
  app.add_flag("--json", c.json, "answer one JSON object on the output stream");
  app.add_flag("--alone", c.alone, "do the work here instead of asking the service");
  app.add_option("--socket", c.socket, "the service's Unix socket")->capture_default_str();
  app.add_option("--secrets", c.secrets, "with --alone: the file of secrets (mode 0600)");
}

void add_site(CLI::App& app, Command& c) {
  add_where(app, c);
  app.add_option("--design", c.design, "with --alone: the design file");
  app.add_option("--interface", c.interfaces, "with --alone: the interface plugged into the site");
}

template <class T>
void add_argument(CLI::App& app, Command& c, const std::string& option, const char* key,
                  const char* help, bool required = false) {
  auto* o = app.add_option_function<T>(
      option, [&c, key](const T& value) { c.arguments[key] = value; }, help);
  if (required) o->required();
}

void add_rounds(CLI::App& app, Command& c) {
  auto* prove = app.add_subcommand("prove", "everything about these units, now");
  prove->add_option("camera", c.cameras, "ids of the design")->required();
  add_site(*prove, c);
  auto* round = app.add_subcommand("round", "the whole site");
  round->add_flag("--night", c.night, "mark it as the nightly round");
  add_site(*round, c);
  auto* headroom = app.add_subcommand(
      "headroom", "every uplink: designed, measured, at the busiest instant, ceiling");
  add_site(*headroom, c);
  auto* arrivals = app.add_subcommand("arrivals", "the roll as it changes, strangers too");
  arrivals->footer("Exit: 0 answered; 2 wrong request; 3 something could not be read.\n"
                   "  tallywire arrivals --follow\n  tallywire arrivals capture.pcapng --design site.json\n  tallywire arrivals --sweep 198.51.100.0/24");
  auto* capture = arrivals->add_option("file", c.file, "digest a capture (pcap, pcapng, also packed) instead; - reads the input stream");
  arrivals->add_flag("--follow", c.follow, "stay and tell every change")->excludes(capture);
  arrivals->add_flag("--units", c.units, "everybody who was heard, with each fact and where it came from")->excludes(capture);
  arrivals->add_flag("--asked", c.asked, "what this machine asked of the wire")->excludes(capture);
  auto* range = arrivals->add_option("--sweep", c.sweep, "ask every address of a range once, as 198.51.100.0/24")->excludes(capture);
  arrivals->add_option("--rate", c.sweep_rate, "with --sweep: addresses a second (100)")->check(CLI::Range(1.0, 1000.0))->needs(range);
  arrivals->add_option("--seconds", c.seconds, "with --follow or --alone: how long to listen")
      ->check(CLI::Range(0.1, 86400.0));
  add_site(*arrivals, c);
  auto* bench = app.add_subcommand("bench", "the clock on each boxed unit that is powered, and whether it is the one of the schedule");
  bench->footer("Exit: 0 all in time and as designed; 1 a unit is over its limit or does not match; 2 wrong request; 3 something could not be read.\n"
                "  tallywire bench\n  tallywire bench hall-quad yard-mast --alone --design site.json --interface eth0 --secrets secrets.json");
  bench->add_option("camera", c.cameras, "ids of the design; without them every unit that has a limit or was seen");
  bench->add_option("--seconds", c.seconds, "how long (until Ctrl-C)")->check(CLI::Range(0.1, 86400.0));
  bench->add_flag("--follow", c.follow, "with --json: an object a line, each second, instead of one at the end");
  add_site(*bench, c);
  auto* accept = app.add_subcommand("accept", "accept the newest complete round of the whole site; later ones are compared with it");
  add_round_number(*accept, "--round", [&c](std::int64_t id) { c.round = id; }, "accept this one instead");
  accept->add_option("--by", c.by, "who accepts it")->required();
  add_where(*accept, c);
}

void add_volume(CLI::App& volume, Command& c) {
  volume.footer("Exit: 0 read, nothing missed; 1 slower than the streams or the card's class; 2 wrong request; 3 something could not be read.\n"
                "  tallywire volume /srv/video --target-mbps 160\n  tallywire volume /srv/video --alone --design site.json --paced --playback 2 --seconds 600\n"
                "  tallywire volume /media/card --alone --speed-class V30\n  tallywire volume /media/card --alone --true-capacity");
  add_argument<double>(volume, c, "--seconds", "seconds", "how long to write (until the rate has settled: 10 s at least, 300 s at most)");
  add_argument<int>(volume, c, "--files", "files", "files written at once (the design's streams on this volume, else 4), 1024 at most");
  add_argument<int>(volume, c, "--chunk-kib", "chunk_kib", "what is appended at once (1024)");
  add_argument<std::string>(volume, c, "--io", "io", "direct, buffered or auto: direct where the file system takes it");
  add_argument<double>(volume, c, "--commit-s", "commit_s", "how often each file is committed (buffered: 1; direct: at a file's end)");
  add_argument<double>(volume, c, "--target-mbps", "target_mbps", "what all streams together bring (the design's sum), in Mbit/s");
  volume.add_flag_callback("--paced", [&c] { c.arguments["paced"] = true; }, "write as fast as the streams bring it, and tell what waits");
  add_argument<int>(volume, c, "--playback", "playback", "so many files are read back meanwhile, as fast as their streams came (0)");
  add_argument<std::string>(volume, c, "--speed-class", "speed_class", "what the card promises, as V30, U3, C10");
  add_argument<std::string>(volume, c, "--card", "card", "the camera of the design whose card this is");
  volume.add_flag_callback("--true-capacity", [&c] { c.arguments["true_capacity"] = true; },
                           "instead: FILL ALL FREE SPACE with a keyed pattern and read it back; stopped or killed, the same command goes on");
  volume.add_flag_callback("--yes", [&c] { c.arguments["yes"] = true; }, "with --true-capacity: nobody records there, do not ask");
  volume.add_option_function<double>("--most-gb", [&c](double gb) { c.arguments["most_bytes"] = gb * 1e9; }, "with --true-capacity: fill no more than this");
  volume.add_flag_callback("--abandon", [&c] { c.arguments["abandon"] = true; }, "with --true-capacity: remove what an unfinished run keeps");
  volume.add_option("--design", c.design, "with --alone: the design file");
  add_where(volume, c);
}

void add_asks(CLI::App& app, Command& c) {
  auto* stream = app.add_subcommand("stream", "meter one stream, no design needed");
  add_argument<std::string>(*stream, c, "url", "url", "rtsp://ADDRESS[:PORT]/PATH, without a password", true);
  add_argument<double>(*stream, c, "--seconds", "seconds", "how long to meter (10)");
  add_argument<std::string>(*stream, c, "--transport", "transport", "tcp, udp, multicast or auto");
  add_argument<std::string>(*stream, c, "--login", "login", "name of a secret {user, password}");
  add_argument<std::string>(*stream, c, "--rtsp-version", "rtsp_version", "1.0, 2.0 or auto: 1.0, and 2.0 where the unit answers so");
  stream->add_flag_callback("--allow-basic", [&c] { c.arguments["allow_basic"] = true; },
                            "send the password by Basic in the open, where all can read it");
  add_where(*stream, c);
  auto* link = app.add_subcommand("link", "this machine's port and its neighbour");
  add_argument<std::string>(*link, c, "interface", "interface", "which port; all without it");
  add_argument<double>(*link, c, "--seconds", "seconds", "how long to wait for the neighbour's LLDP frame (32); 0: not at all");
  link->add_flag_callback("--cable-test", [&c] { c.arguments["cable_test"] = true; },
                          "test the cable's pairs: TAKES THE LINK DOWN for some seconds; needs root and hardware that can");
  add_where(*link, c);
  auto* sw = app.add_subcommand("switch", "a switch's ports, units, power");
  add_argument<std::string>(*sw, c, "address", "address", "the switch's IP address", true);
  add_argument<std::string>(*sw, c, "--snmp", "snmp", "name of a secret with its SNMP access", true);
  add_argument<int>(*sw, c, "--port", "udp_port", "UDP port (161)");
  add_argument<double>(*sw, c, "--seconds", "seconds", "how long between two looks, for load and new errors (2); 0: one look");
  add_where(*sw, c);
  auto* path = app.add_subcommand("path", "what the path to a far end carries (delay, TCP, UDP), which must hold the same key");
  path->footer("Probe only networks that you are asked to.\n"
               "Exit: 0 all was read; 2 wrong request; 3 something could not be read.\n"
               "  tallywire path 198.51.100.7 --key depot\n  tallywire path 198.51.100.9 --plain-reflector --seconds 60");
  add_argument<std::string>(*path, c, "host", "host", "the far end's IP address", true);
  add_argument<std::string>(*path, c, "--key", "key", "name of a secret {key}");
  add_argument<int>(*path, c, "--port", "tcp_port", "TCP port (7861)");
  add_argument<double>(*path, c, "--seconds", "seconds", "how long each way (5)");
  add_argument<double>(*path, c, "--ceiling-mbps", "ceiling_mbps", "send no more than this");
  add_argument<std::string>(*path, c, "--only", "only", "delay, tcp, udp, or some of them with commas (all)");
  add_argument<int>(*path, c, "--packet-bytes", "packet_bytes", "udp: size of the IP packets (the path's MTU)");
  add_argument<double>(*path, c, "--delay-packets-per-s", "delay_packets_per_s", "delay: packets a second (50), at most 1000");
  add_argument<int>(*path, c, "--delay-packet-bytes", "delay_packet_bytes", "delay: octets of UDP payload; the least without it (112, unauthenticated 44)");
  path->add_flag_callback("--unauthenticated", [&c] { c.arguments["unauthenticated"] = true; }, "delay: packets without a HMAC");
  path->add_option_function<int>("--plain-reflector", [&c](const int& port) { c.arguments["plain_reflector_port"] = port; },
                                 "the host is a STAMP reflector and no Tallywire: delay alone, on this UDP port (862)")
      ->expected(0, 1)
      ->default_str("862");
  add_where(*path, c);
  auto* rehearse = app.add_subcommand("rehearse", "the design's streams, made up, over the path to a far end, which must hold the same key");
  rehearse->footer("Exit: 0 carried; 1 lost below what is asked; 2 wrong request; 3 something could not be read.\n"
                   "  tallywire rehearse 192.0.2.10 --key far-end\n  tallywire rehearse 192.0.2.10 --key far-end --streams 40 --mbps 4 --phases together");
  add_argument<std::string>(*rehearse, c, "host", "host", "the far end's IP address", true);
  add_argument<std::string>(*rehearse, c, "--key", "key", "name of a secret {key}", true);
  add_argument<int>(*rehearse, c, "--port", "tcp_port", "TCP port (7861)");
  add_argument<std::string>(*rehearse, c, "--switch", "switch", "only the streams of this switch of the design, sent from there");
  add_argument<double>(*rehearse, c, "--scale", "scale", "bit rates against the design's (1)");
  add_argument<int>(*rehearse, c, "--streams", "streams", "so many streams instead of the design's");
  add_argument<double>(*rehearse, c, "--mbps", "mbps", "with --streams: Mbit/s of each (4)");
  add_argument<double>(*rehearse, c, "--fps", "fps", "with --streams: frames/s (25)");
  add_argument<int>(*rehearse, c, "--gop", "gop", "with --streams: frames of a GOP (two seconds)");
  add_argument<double>(*rehearse, c, "--key-ratio", "key_ratio", "a key frame against the mean difference frame (8)");
  add_argument<double>(*rehearse, c, "--link-mbps", "link_mbps", "speed of each unit's link (the design's, else 100)");
  add_argument<std::string>(*rehearse, c, "--phases", "phases", "random, or together: all key frames at once");
  add_argument<std::int64_t>(*rehearse, c, "--seed", "seed", "of the random phases; the one that was used is told");
  add_argument<double>(*rehearse, c, "--most-scale", "most_scale", "the highest load, against what is asked (1 and the reserve)");
  add_argument<int>(*rehearse, c, "--step-gops", "step_gops", "how many GOPs each step lasts (2)");
  auto* live = rehearse->add_flag_callback("--live", [&c] { c.arguments["live"] = true; },
                                           "the path carries live work: end at the first sign of harm (so it is with a design)");
  rehearse->add_flag_callback("--no-live", [&c] { c.arguments["live"] = false; }, "nobody works on this path: find where loss begins")->excludes(live);
  rehearse->add_option("--design", c.design, "with --alone: the design file");
  add_where(*rehearse, c);
  auto* volume = app.add_subcommand("volume", "how fast a volume takes writes, and how many days it holds; writes its own files only");
  add_argument<std::string>(*volume, c, "path", "path", "a directory on the volume; without it: the days that every volume and card holds");
  add_volume(*volume, c);
}

void add_tap(CLI::App& app, Command& c) {
  auto* tap = app.add_subcommand("tap", "meter all streams in a capture file or on a mirror port");
  tap->footer("Exit: 0 all was read; 1 a stream misses what the design promises; 2 wrong request; 3 something could not be read.\n"
              "  tallywire tap capture.pcapng --design site.json\n  tallywire tap --interface eth1 --alone --follow\n  tcpdump -i eth1 -w - | tallywire tap -");
  auto* file = tap->add_option("file", c.file, "a capture (pcap, pcapng, also packed by gzip or zstd); - reads the input stream");
  auto* interface = tap->add_option("--interface", c.interfaces, "the interface that the mirror port is plugged into")->expected(1);
  interface->excludes(file);
  tap->add_option("--seconds", c.seconds, "with --interface: how long to meter (10; with --follow until Ctrl-C)")->check(CLI::Range(0.1, 86400.0))->needs(interface);
  tap->add_flag("--follow", c.follow, "show a table every second, heaviest first; by the service, of a tap that it holds");
  tap->add_option("--threads", c.threads, "with --interface: capture threads (one less than there are cores)")->check(CLI::Range(1, 16))->needs(interface);
  tap->add_option("--design", c.design, "the design file: which stream is which, and what it promises");
  add_where(*tap, c);
}

// A volume that is full stops whoever records there: a person at a terminal is asked, anybody else must have said so.
bool may_fill(Command& c) {
  const auto is = [&c](const char* key) { return c.arguments.value(key, false); };
  if (!is("true_capacity") || is("abandon") || is("yes")) return true;
  std::fputs("This fills all the free space of the volume for as long as it runs. A recorder that writes there would stop.\n", stderr);
  if (isatty(STDIN_FILENO) != 1) {
    std::fputs("volume: when nobody records there, say so with --yes\n", stderr);
    return false;
  }
  std::fputs("Type yes when nobody records there: ", stderr);
  char line[16] = {};
  const bool agreed = std::fgets(line, sizeof line, stdin) != nullptr && std::string(line) == "yes\n";
  if (agreed) c.arguments["yes"] = true;
  return agreed;
}

}  // namespace

std::variant<Command, int> parse_command(int argc, char** argv) {
  Command c;
  CLI::App app{"tallywire: proves a camera network against its design", "tallywire"};
  app.set_version_flag("--version", TALLYWIRE_VERSION);
  app.require_subcommand(1);
  auto* design = app.add_subcommand("design", "check a design, or make one from a schedule");
  design->require_subcommand(1);
  auto* check = design->add_subcommand("check", "validate, with line and pointer of every fault");
  check->add_option("file", c.file, "the design")->required();
  check->add_flag("--json", c.json, "answer one JSON object on the output stream");
  auto* import = design->add_subcommand("import", "make a design from a camera schedule in CSV");
  import->add_option("file", c.file, "the schedule")->required();
  import->add_option("--out", c.out, "write the design here instead of to the output stream");
  import->add_flag("--json", c.json, "answer one JSON object on the output stream");
  add_rounds(app, c);
  add_asks(app, c);
  add_tap(app, c);
  add_sheet(app, c);
  add_witness(app, c);
  add_record(app, c);
  add_drift(app, c);
  if (const auto unknown = unknown_command(app, argc, argv); !unknown.empty()) {
    std::fprintf(stderr, "%s\n", unknown.c_str());
    return 2;
  }
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& e) {
    return app.exit(e) == 0 ? 0 : 2;
  }
  auto* used = app.get_subcommands().front();
  c.name = used->get_name();
  if (c.name == "tap" && (c.file.rfind("rtsp:", 0) == 0 || c.file.rfind("rtsps:", 0) == 0)) {  // not echoed: it may hold a password
    std::fputs("tap: this is a URL, not a capture file; meter one stream with `tallywire stream URL`\n", stderr);
    return 2;
  }
  if (c.name == "tap" && c.file.empty() && c.interfaces.empty()) {
    std::fputs("tap: give a capture file, or --interface IF for a mirror port\n", stderr);
    return 2;
  }
  if (c.name == "tap" && c.file.empty() && !c.alone && !c.design.empty()) {
    std::fputs("tap: the service holds streams against its own design; leave out --design, or do the work here with --alone\n", stderr);
    return 2;
  }
  if (c.name == "tap" && c.file.empty()) {
    c.arguments["interface"] = c.interfaces.front();
    if (c.seconds > 0) c.arguments["seconds"] = c.seconds;
    if (c.threads > 0) c.arguments["threads"] = c.threads;
  }
  if (c.name == "path" && !c.arguments.contains("key") && !c.arguments.contains("plain_reflector_port")) {
    std::fputs("path: name the secret {key} that the far end holds too: --key NAME\n", stderr);
    return 2;
  }
  // The service works in a directory of its own.
  if (c.name == "volume" && c.arguments.contains("path") && c.arguments.at("path") == "") {
    std::fputs("volume: the path is empty; give a directory on the volume\n", stderr);
    return 2;
  }
  if (c.name == "path" && c.arguments.contains("plain_reflector_port") && c.arguments.contains("only") && c.arguments.at("only") != "delay") {
    std::fputs("path: a plain reflector tells delay alone; leave out --only\n", stderr);
    return 2;
  }
  if (c.name == "volume" && !c.arguments.contains("path") && (c.alone || !c.arguments.empty())) {
    std::fputs(c.alone ? "volume: give a directory on the volume; the days held are in the service's record: leave out --alone\n"
                       : "volume: give a directory on the volume\n",
               stderr);
    return 2;
  }
  if (c.name == "volume" && c.arguments.contains("path"))
    c.arguments["path"] = std::filesystem::absolute(c.arguments.at("path").get<std::string>()).lexically_normal().string();
  if (c.name == "volume" && !may_fill(c)) return 2;
  if (used == design || c.name == "record") c.name += " " + used->get_subcommands().front()->get_name();
  return c;
}

}  // namespace tallywire::client
