"""tap_bench.py BIN [--rounds 5] [--parts files,packed,many,live] [--folder /tmp] [--raw FILE] [--no-tallywire] [--no-tshark]

What `tallywire tap` costs beside the least that reads the same capture, in the same run, round after round; medians, and
the median of each round's own ratio. Captures are made anew in the folder (about 9 GB) and read once before they are
timed, so that they come out of the page cache. Parts:
  files   64 streams of 4 Mbit/s, 30 s, whole packets and 96 octets of each; tshark once. And memory, by length of the file
  packed  the 96-octet file with gzip and Zstandard, beside gzip and zstd themselves
  many    64, 1,000 and 10,000 streams: what a packet costs
  live    tap_live.py: the highest rate on a veth without a drop; needs root"""

import argparse
import json
import os
import pathlib
import statistics
import subprocess
import sys
import tempfile
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "support"))
import tap_live  # noqa: E402

READERS = ("copy", "walk", "libpcap")
PARTS = ("files", "packed", "many", "live")
MANY = ((64, 120), (1000, 12), (10000, 4))  # streams, seconds


class Run:
    """A command, from its start to its end: seconds by the clock and on the cores, memory at most."""

    def __init__(self, *command):
        # Behind time(1): a process counts as its own the memory of what forked it, here all of Python's.
        with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as said, tempfile.NamedTemporaryFile() as memory:
            behind = ("/usr/bin/time", "-q", "-f", "%M", "-o", memory.name)
            begin = time.perf_counter()
            process = subprocess.Popen([str(word) for word in (*behind, *command)], stdin=subprocess.DEVNULL, stdout=out,
                                       stderr=said)
            _, status, usage = os.wait4(process.pid, 0)
            self.wall_s = time.perf_counter() - begin
            process.returncode = os.waitstatus_to_exitcode(status)
            self.cpu_s = usage.ru_utime + usage.ru_stime
            self.memory_mib = int(memory.read() or 0) / 1024
            out.seek(0)
            said.seek(0)
            self.out = out.read()
            if process.returncode not in (0, 1, 3):
                raise RuntimeError(f"{command}: exit {process.returncode}: {said.read().decode()[-500:]}")


class Bench:
    def __init__(self, options, folder):
        self.options, self.folder, self.bin = options, folder, pathlib.Path(options.bin)
        self.rows = []

    def make(self, streams, seconds, snap=262144):
        file = self.folder / f"{streams}x{seconds}s-{snap}.pcap"
        told = Run(self.bin / "capture_maker", "--out", file, "--streams", streams, "--seconds", seconds, "--snap", snap).out
        Run(self.bin / "bare_readers", "copy", file)
        return file, json.loads(told)

    def command(self, reader, file):
        if reader == "tallywire":
            return self.bin / "tallywire", "tap", file, "--json"
        if reader == "tshark":
            return "tshark", "-n", "-r", file, "-q", "-z", "rtp,streams", "-d", "udp.port==1-65535,rtp"
        if reader in ("gzip", "zstd"):
            return reader, "-dc", file
        return self.bin / "bare_readers", reader, file

    def measure(self, reader, file, made, number, name):
        run = Run(*self.command(reader, file))
        row = {"round": number, "capture": name, "reader": reader, "wall_s": run.wall_s, "cpu_s": run.cpu_s,
               "memory_mib": run.memory_mib, "ns_a_packet": run.cpu_s * 1e9 / made["packets"], "packets": made["packets"]}
        self.rows.append(row)
        if reader in ("walk", "libpcap"):
            check(json.loads(run.out)["packets"], made["packets"], reader)
        if reader == "tallywire":
            streams = json.loads(run.out)["streams"]
            check((len(streams), sum(s["packets"] for s in streams), sum(s["lost_packets"] for s in streams)),
                  (made["streams"], made["packets"], 0), "tallywire tap")
        print("  {capture} {reader}: {wall_s:.3f} s, {cpu_s:.3f} CPU s, {ns_a_packet:.0f} ns a packet, {memory_mib:.1f} MiB"
              .format(**row), flush=True)

    def rounds(self, captures):
        """`captures`: {name: (file, made, readers)}. Each is read by each of its readers, round after round."""
        own = ("tallywire",) if self.options.tallywire else ()
        for number in range(self.options.rounds):
            print(f"round {number + 1} of {self.options.rounds}", flush=True)
            for name, (file, made, readers) in captures.items():
                for reader in (*readers, *own):
                    self.measure(reader, file, made, number, name)
        self.table({name: (*readers, *own) for name, (_, _, readers) in captures.items()})

    def files(self):
        captures = {"whole": (*self.make(64, 30), READERS), "96 octets": (*self.make(64, 30, 96), READERS)}
        if self.options.tshark:
            for name, (file, made, _) in captures.items():
                self.measure("tshark", file, made, 0, name)
        self.rounds(captures)
        for name in captures:
            self.beside_tshark(name)
        if self.options.tallywire:
            self.memory()

    def beside_tshark(self, name):
        theirs = self.values("cpu_s", name, "tshark")
        ours = self.values("cpu_s", name, "tallywire")
        if theirs and ours:
            print(f"{name}: tshark {theirs[0]:.2f} CPU s, {theirs[0] / statistics.median(ours):.1f} times tallywire's")

    def memory(self):
        """It may grow with the streams, not with the file."""
        for seconds in (5, 60):
            file, made = self.make(64, seconds, 96)
            self.measure("tallywire", file, made, 0, f"64 streams, {seconds} s")
            file.unlink()

    def packed(self):
        file, made = self.make(64, 30, 96)
        captures = {"plain": (file, made, ("libpcap",))}
        for packer, ending in (("gzip", ".gz"), ("zstd", ".zst")):
            packed = pathlib.Path(str(file) + ending)
            with open(packed, "wb") as out:
                subprocess.run([packer, "-c", str(file)], stdout=out, check=True)
            captures[packer] = packed, made, (packer,)
        self.rounds(captures)

    def many(self):
        captures = {f"{streams} streams": (*self.make(streams, seconds, 96), ("walk", "libpcap")) for streams, seconds in MANY}
        self.rounds(captures)
        first, *others = captures
        for reader in ("walk", "libpcap", "tallywire"):
            for name in others:
                few, these = (self.values("ns_a_packet", capture, reader) for capture in (first, name))
                ratios = [b / a for a, b in zip(few, these)]
                if ratios:
                    print(f"{reader}: a packet of {name} costs {spread(ratios)} times one of {first}")

    def values(self, what, capture, reader):
        return [row[what] for row in self.rows if row["capture"] == capture and row["reader"] == reader]

    def table(self, captures):
        print("\n| capture | reader | wall s | CPU s | ns a packet | MiB | CPU beside libpcap | CPU beside walk |\n" +
              "| --- " * 8 + "|")
        for capture, readers in captures.items():
            for reader in readers:
                found = [self.values(what, capture, reader) for what in ("wall_s", "cpu_s", "ns_a_packet", "memory_mib")]
                beside = [self.ratio(capture, reader, other) for other in ("libpcap", "walk")]
                print("| " + " | ".join([capture, reader, spread(found[0]), spread(found[1]),
                                         f"{statistics.median(found[2]):.0f}", f"{max(found[3]):.1f}", *beside]) + " |")
        print(flush=True)

    def ratio(self, capture, reader, other):
        """Median of the rounds' own ratios."""
        rounds = list(zip(self.values("cpu_s", capture, reader), self.values("cpu_s", capture, other)))
        return f"{statistics.median(a / b for a, b in rounds):.2f}" if rounds and all(b for _, b in rounds) else "-"


def check(found, expected, who):
    if found != expected:
        raise RuntimeError(f"{who} counts {found}, the capture was made with {expected}")


def spread(values):
    return f"{statistics.median(values):.3f} ({min(values):.3f}-{max(values):.3f})" if values else "-"


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("bin")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--parts", type=lambda t: t.split(","), default=list(PARTS))
    parser.add_argument("--folder", default="/tmp", help="on a disk with 9 GB to spare")
    parser.add_argument("--raw", help="every row as JSON goes here")
    parser.add_argument("--no-tallywire", dest="tallywire", action="store_false")
    parser.add_argument("--no-tshark", dest="tshark", action="store_false")
    tap_live.add_options(parser)
    options = parser.parse_args()
    if unknown := set(options.parts) - set(PARTS):
        parser.error(f"no such part: {', '.join(unknown)}")
    for part in options.parts:
        print(f"-- {part}", flush=True)
        if part == "live":
            tap_live.run_live(options)
            continue
        with tempfile.TemporaryDirectory(prefix="tallywire-bench-", dir=options.folder) as folder:
            bench = Bench(options, pathlib.Path(folder))
            getattr(bench, part)()
            if options.raw:
                with open(options.raw, "a") as out:
                    out.writelines(json.dumps({"part": part, **row}) + "\n" for row in bench.rows)


if __name__ == "__main__":
    main()
