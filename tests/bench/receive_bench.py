"""receive_bench.py BIN [--rounds 3] [--seconds 8] [--streams 8,32,128,500] [--transports tcp,udp] [--raw FILE] [--no-peers]

What receiving costs: CPU seconds (user + system, receiving processes only, steady state) for each Gbit that crossed the
client's card, beside a minimal reader and beside GStreamer's and FFmpeg's receive-only runs, on this machine, side by
side in each round. Needs root, two cores that are mostly free, and about half an hour. Then counts are compared: each
session of the sender ends after ten seconds, and every packet of every stream must have arrived.

The kernel does the receiving side's IP and UDP work in the sender's context here (veth), for every client alike."""

import argparse
import json
import os
import pathlib
import resource
import signal
import statistics
import subprocess
import sys
import tempfile
import time

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "support"))
from namespaces import Namespaces, run, wait_until  # noqa: E402

SERVER, CLIENT, PORT = "192.0.2.10", "192.0.2.20", 8554
STREAM_BPS = 4_000_000
PEER_STREAMS = (8, 32)   # one process a stream, or one element: more than this starves two cores
PEERS_FILE_S = 90


def cpu_s(pids):
    """Time on a core, of all threads, in nanoseconds by the scheduler (/proc/PID/task/TID/schedstat)."""
    total = 0
    for pid in pids:
        for task in pathlib.Path(f"/proc/{pid}/task").glob("*/schedstat"):
            try:
                total += int(task.read_text().split()[0])
            except (FileNotFoundError, ProcessLookupError):
                pass
    return total / 1e9


def most_memory_mib(pids):
    lines = (line for pid in pids for line in pathlib.Path(f"/proc/{pid}/status").read_text().splitlines())
    return sum(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024


class Bench:
    def __init__(self, options, folder):
        self.options, self.folder = options, folder
        self.bin = pathlib.Path(options.bin)
        self.ns = Namespaces("server", "client").__enter__()
        self.ns.cable("server", "client", address_a=f"{SERVER}/24", address_b=f"{CLIENT}/24")
        # Each packet crosses the cable by itself, as it would from a camera.
        self.ns.run("server", "ethtool", "-K", "eth0", "tx-udp-segmentation", "off")
        self.rows = []

    def start(self, where, *command):
        """At a raised priority, so that other work on this machine starves neither side."""
        log = open(self.folder / f"log{time.monotonic_ns()}", "w+b")
        process = self.ns.start(where, *command, stdout=log, stderr=subprocess.STDOUT, preexec_fn=lambda: os.nice(-10))
        process.log = pathlib.Path(log.name)
        log.close()
        return process

    def card_octets(self):
        text = self.ns.run("client", "cat", "/sys/class/net/eth0/statistics/rx_bytes").stdout
        return int(text)

    def socket_drops(self):
        lines = self.ns.run("client", "cat", "/proc/net/snmp").stdout.splitlines()
        names, values = [line.split() for line in lines if line.startswith("Udp:")]
        return int(values[names.index("RcvbufErrors")])

    def serve(self, server, streams, frames=0):
        if server == "own":
            process = self.start("server", self.bin / "stream_sender", SERVER, PORT, frames)
        else:
            settings = self.folder / "server.json"
            settings.write_text(json.dumps({"address": SERVER, "port": PORT, "mounts": {
                f"/{i}": {"file": str(self.known_file())} for i in range(streams)}}))
            process = self.start("server", "/usr/bin/python3", HERE.parent / "peers" / "gst_server.py", settings)
        wait_until(lambda: b"ready" in process.log.read_bytes(), 30, "the server")
        return process

    def known_file(self):
        file = self.folder / "known.h264.mkv"
        if not file.exists():
            run("ffmpeg", "-hide_banner", "-loglevel", "error", "-f", "lavfi", "-i",
                "testsrc2=size=1280x720:rate=25,noise=alls=20:allf=t", "-t", PEERS_FILE_S, "-pix_fmt", "yuv420p", "-c:v",
                "libx264", "-preset", "ultrafast", "-b:v", "4M", "-maxrate", "4M", "-bufsize", "4M", "-x264-params",
                "keyint=25:min-keyint=25:scenecut=0:bframes=0", file)
        return file

    def clients(self, client, streams, transport):
        """Starts the receiving processes; answers them when all receive."""
        urls = [f"rtsp://{SERVER}:{PORT}/{i}" for i in range(streams)]
        long = self.options.seconds + 40
        if client in ("drained", "each"):
            started = [self.start("client", self.bin / "minimal_reader", SERVER, PORT, streams, transport, client, long)]
        elif client == "tallywire":
            started = [self.start("client", self.bin / "receive_many", SERVER, PORT, streams, transport, long)]
        elif client == "gstreamer":
            words = ["gst-launch-1.0", "-q"]
            for url in urls:
                words += ["rtspsrc", f"location={url}", f"protocols={transport}", "latency=0", "!", "fakesink", "sync=false"]
            started = [self.start("client", *words)]
        else:
            started = [self.start("client", "ffmpeg", "-nostdin", "-hide_banner", "-loglevel", "error", "-rtsp_transport",
                                  transport, "-i", url, "-c", "copy", "-f", "null", "-") for url in urls]
        if client in ("drained", "each", "tallywire"):
            wait_until(lambda: b"playing" in started[0].log.read_bytes(), 60, client)
        return started

    def settle(self, streams):
        """Until the wanted rate has crossed the card for two seconds in turn (FFmpeg looks at a stream for 5 s first)."""
        wanted = streams * STREAM_BPS / 8
        good, end = 0, time.monotonic() + 40
        while good < 2 and time.monotonic() < end:
            before = self.card_octets()
            time.sleep(1)
            good = good + 1 if self.card_octets() - before > 0.85 * wanted else 0
        time.sleep(2)

    def measure(self, server, client, streams, transport):
        serving = self.serve(server, streams)
        started = self.clients(client, streams, transport)
        self.settle(streams)
        pids = [p.pid for p in started]
        before = cpu_s(pids), cpu_s([serving.pid]), self.card_octets(), self.socket_drops(), time.monotonic()
        time.sleep(self.options.seconds)
        after = cpu_s(pids), cpu_s([serving.pid]), self.card_octets(), self.socket_drops(), time.monotonic()
        cpu, server_cpu, octets, drops, wall = (b - a for a, b in zip(before, after))
        memory = most_memory_mib(pids)
        for process in started:
            self.ns.end(process, signal.SIGINT)
        self.ns.end(serving)
        if octets == 0:
            raise RuntimeError(f"{client} received nothing: {started[0].log.read_text()[-500:]}")
        gbit = octets * 8 / 1e9
        row = {"server": server, "client": client, "streams": streams, "transport": transport, "cpu_s_per_gbit": cpu / gbit,
               "cores": cpu / wall, "server_cores": server_cpu / wall, "gbit_s": gbit / wall, "socket_drops": drops,
               "memory_mib": memory, "full": gbit / wall > 0.97 * streams * STREAM_BPS / 1e9}
        self.rows.append(row)
        print("  {server} -> {client} {streams} {transport}: {cpu_s_per_gbit:.3f} CPU s/Gbit, {cores:.2f} cores, "
              "{gbit_s:.2f} Gbit/s, dropped {socket_drops}, {memory_mib:.0f} MiB, server {server_cores:.2f} cores{note}"
              .format(note="" if row["full"] else " NOT THE FULL RATE", **row), flush=True)

    def compare_counts(self, transport, streams):
        """Every packet of every stream: what the sender counts against what the meters count."""
        serving = self.serve("own", streams, frames=250)
        receiving = self.start("client", self.bin / "receive_many", SERVER, PORT, streams, transport, 14, 0)
        receiving.wait(120)
        self.ns.end(serving)
        got = json.loads(receiving.log.read_text().splitlines()[-1])
        sent = json.loads(serving.log.read_text().splitlines()[-1])
        by_stream = {s["stream"]: s for s in sent["sessions"]}
        wrong = sum(1 for i, packets in enumerate(got["per_stream"]) if by_stream.get(i, {}).get("packets") != packets)
        overrun = sum(s["overrun_packets"] for s in sent["sessions"])
        print(f"counts, {streams} streams by {transport}: sent {sum(s['packets'] for s in sent['sessions'])}, received "
              f"{got['packets']}, lost {got['lost']}, sender overrun {overrun}, streams that differ: {wrong}", flush=True)
        return wrong == 0 and got["lost"] == overrun


def cases(options):
    for streams in options.streams:
        for transport in options.transports:
            for client in ("drained", "each", "tallywire"):
                yield "own", client, streams, transport
            if options.peers and streams in PEER_STREAMS:
                for server in ("own", "gst-rtsp-server"):
                    for client in ("gstreamer", "ffmpeg"):
                        yield server, client, streams, transport
                yield "gst-rtsp-server", "tallywire", streams, transport


CLIENTS = ("drained", "each", "tallywire", "gstreamer", "ffmpeg")


def spread(values):
    return f"{statistics.median(values):.3f} ({min(values):.3f}-{max(values):.3f})" if values else "-"


def ratio(ours, *others):
    """Median of the rounds' own ratios to the best of the others in the same round."""
    rounds = list(zip(ours, *others))
    return f"{statistics.median(r[0] / min(r[1:]) for r in rounds):.2f}" if rounds else "-"


def table(rows):
    print("\nCPU s for each Gbit: median (min-max)\n| server | streams | by | " + " | ".join(CLIENTS) +
          " | tallywire / drained | tallywire / better peer |\n" + "| --- " * 10 + "|")
    kinds = sorted({(row["server"] != "own", row["streams"], row["transport"], row["server"]) for row in rows})
    for _, streams, transport, server in kinds:
        these = [row for row in rows if (row["server"], row["streams"], row["transport"]) == (server, streams, transport)]
        cost = {client: [row["cpu_s_per_gbit"] for row in these if row["client"] == client] for client in CLIENTS}
        line = [server, streams, transport, *map(spread, cost.values()), ratio(cost["tallywire"], cost["drained"]),
                ratio(cost["tallywire"], cost["gstreamer"], cost["ffmpeg"])]
        print("| " + " | ".join(map(str, line)) + " |")


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("bin")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--seconds", type=int, default=8)
    parser.add_argument("--streams", type=lambda t: [int(n) for n in t.split(",")], default=[8, 32, 128, 500])
    parser.add_argument("--transports", type=lambda t: t.split(","), default=["tcp", "udp"])
    parser.add_argument("--raw", help="every row as JSON goes here")
    parser.add_argument("--no-peers", dest="peers", action="store_false")
    options = parser.parse_args()
    hard = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    with tempfile.TemporaryDirectory(prefix="tallywire-bench-") as folder:
        bench = Bench(options, pathlib.Path(folder))
        try:
            exact = all([bench.compare_counts(t, max(options.streams)) for t in options.transports])
            for number in range(options.rounds):
                print(f"round {number + 1} of {options.rounds}", flush=True)
                for case in cases(options):
                    bench.measure(*case)
        finally:
            bench.ns.__exit__()
            if options.raw:
                pathlib.Path(options.raw).write_text(json.dumps(bench.rows, indent=1))
        table(bench.rows)
        return 0 if exact else 1


if __name__ == "__main__":
    sys.exit(main())
