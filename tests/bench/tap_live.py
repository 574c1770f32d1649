"""The live part of tap_bench.py: two namespaces, a veth, udp_blast at one end and a reader at the other. The highest rate
at which a reader loses nothing, by bisection, readers in turn in each round. A rate stands when one of two tries at it
lost nothing, for each reader alike: other work on this machine costs packets, too.

With one sender the reader has a core almost to itself; with two, senders and reader share both cores. Where a reader
loses nothing at the most that the senders give, that is said: its own limit was not reached. The kernel's copy into the
reader's ring is done in the senders' context, for every reader alike."""

import json
import os
import pathlib
import signal
import statistics
import tempfile
import time

from namespaces import Namespaces, wait_until

LEAST_PPS = 20_000
CLOSE = 1.04  # a bisection ends when its ends are that close
SETTLE_S = 1.5  # more than the second that libpcap's timeout may hold packets back


def add_options(parser):
    parser.add_argument("--live-seconds", type=float, default=3, help="of sending, each try")
    parser.add_argument("--live-rounds", type=int, default=3)
    parser.add_argument("--live-senders", type=lambda t: [int(n) for n in t.split(",")], default=[1, 2])
    parser.add_argument("--live-octets", type=lambda t: [int(n) for n in t.split(",")], default=[1400])
    parser.add_argument("--live-buffer-mib", type=int, default=64, help="the bare loop's second run; its first has libpcap's 2")


class Live:
    def __init__(self, options, ns, folder):
        self.options, self.ns, self.folder, self.bin = options, ns, folder, pathlib.Path(options.bin)
        self.costs = {}  # reader: CPU nanoseconds a packet, each try
        ns.cable("senders", "reader")
        for where in ("senders", "reader"):  # no packets but those that are counted
            ns.run(where, "sysctl", "-qw", "net.ipv6.conf.eth0.disable_ipv6=1")

    def start(self, where, out, *command):
        """At a raised priority, readers and senders alike; time(1) tells what each took of the cores."""
        command = ("/usr/bin/time", "-q", "-f", "%U %S", "-o", self.folder / f"{out}.cpu", *command)
        with open(self.folder / out, "w+b") as log, open(self.folder / "said", "w+b") as said:
            return self.ns.start(where, *command, stdout=log, stderr=said, preexec_fn=lambda: os.nice(-10))

    def listen(self, reader):
        if reader == "tallywire":
            seconds = self.options.live_seconds + SETTLE_S + 1.5
            process = self.start("reader", "read", self.bin / "tallywire", "tap", "--interface", "eth0", "--seconds",
                                 f"{seconds:.0f}", "--json", "--alone")
        else:
            process = self.start("reader", "read", self.bin / "bare_readers", "live", "eth0", *reader.split()[1:])
        # An open packet socket that runs stands here with a 1 in its fifth column.
        wait_until(lambda: self.sockets() > 0, 10, f"{reader} listening")
        time.sleep(0.2)
        return process

    def sockets(self):
        rows = self.ns.run("reader", "cat", "/proc/net/packet").stdout.splitlines()[1:]
        return sum(row.split()[5] == "1" for row in rows)

    def send(self, pps, senders, octets):
        """Answers (packets sent, packets a second)."""
        each = [self.start("senders", f"sent{i}", self.bin / "udp_blast", "eth0", "--pps", pps / senders, "--octets", octets,
                           "--streams", 64, "--first", 64 * i, "--seconds", self.options.live_seconds) for i in range(senders)]
        for process in each:
            process.wait(self.options.live_seconds + 20)
        told = [json.loads((self.folder / f"sent{i}").read_text()) for i in range(senders)]
        return sum(t["sent_packets"] for t in told), sum(t["packets_per_s"] for t in told)

    def received(self, reader, process):
        """(packets, dropped, CPU seconds)."""
        if reader == "tallywire":
            process.wait(60)
            answer = json.loads((self.folder / "read").read_text())
            packets, dropped = sum(s["packets"] for s in answer["streams"]), answer["capture"]["dropped_by_kernel_packets"]
        else:
            time.sleep(SETTLE_S)
            self.ns.end(process, signal.SIGINT)
            answer = json.loads((self.folder / "read").read_text().splitlines()[-1])
            packets, dropped = answer["packets"], answer["dropped_by_kernel"]
        return packets, dropped, sum(map(float, (self.folder / "read.cpu").read_text().split()))

    def attempt(self, reader, pps, senders, octets):
        """(whole, packets a second that were really sent)."""
        process = self.listen(reader)
        sent, rate = self.send(pps, senders, octets)
        packets, dropped, cpu_s = self.received(reader, process)
        if packets:
            self.costs.setdefault(reader, []).append(cpu_s * 1e9 / packets)
        if dropped == 0 and packets < sent:
            raise RuntimeError(f"{reader}: {sent} sent, {packets} received, and none said to be dropped")
        return dropped == 0, rate

    def stands(self, reader, pps, senders, octets):
        """The rate at which nothing was lost, or None."""
        for _ in range(2):
            whole, rate = self.attempt(reader, pps, senders, octets)
            if whole:
                return rate
        return None

    def highest(self, reader, most_pps, senders, octets):
        """(packets a second, whether more was to be had from the senders)."""
        best = self.stands(reader, most_pps * 2, senders, octets)  # as fast as they can
        if best:
            return best, False
        low, high, best = LEAST_PPS, most_pps, 0.0
        while high / low > CLOSE:
            middle = (low * high) ** 0.5
            found = self.stands(reader, middle, senders, octets)
            if found:
                low, best = middle, max(best, found)
            else:
                high = middle
        return best, True


def run_live(options):
    readers = ["bare", f"bare {options.live_buffer_mib}"] + (["tallywire"] if options.tallywire else [])
    with tempfile.TemporaryDirectory(prefix="tallywire-live-") as folder, Namespaces("senders", "reader") as ns:
        live = Live(options, ns, pathlib.Path(folder))
        rows = []
        for senders in options.live_senders:
            for octets in options.live_octets:
                most = live.send(1e7, senders, octets)[1]
                print(f"{senders} senders, {octets} octets: {most:.0f} packets/s at most with nobody listening", flush=True)
                for number in range(options.live_rounds):
                    for reader in readers if number % 2 == 0 else reversed(readers):
                        rate, reached = live.highest(reader, most, senders, octets)
                        rows.append((senders, octets, number, reader, rate, reached))
                        note = "" if reached else ", the most that the senders gave"
                        print(f"  {reader}: {rate:.0f} packets/s without a drop{note}", flush=True)
    table(rows, readers)
    for reader, costs in live.costs.items():
        print(f"{reader}: {statistics.median(costs):.0f} CPU ns a packet ({min(costs):.0f}-{max(costs):.0f})")


def table(rows, readers):
    print("\npackets/s without a drop: median (min-max). Where no limit was reached the figure is what the senders gave beside "
          "that reader, a lower bound\n| senders | octets | reader | packets/s | limit reached | "
          "tallywire beside it |\n" + "| --- " * 6 + "|")
    for senders, octets in sorted({row[:2] for row in rows}):
        rates = {reader: [r[4] for r in sorted(rows) if r[:2] == (senders, octets) and r[3] == reader] for reader in readers}
        for reader in readers:
            reached = sum(r[5] for r in rows if r[:2] == (senders, octets) and r[3] == reader)
            beside = [a / b for a, b in zip(rates.get("tallywire", []), rates[reader]) if b]
            print(f"| {senders} | {octets} | {reader} | {statistics.median(rates[reader]):.0f} ({min(rates[reader]):.0f}-"
                  f"{max(rates[reader]):.0f}) | {reached} of {len(rates[reader])} | "
                  f"{f'{statistics.median(beside):.2f}' if beside else '-'} |")
