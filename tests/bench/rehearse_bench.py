#!/usr/bin/python3
"""rehearse_bench.py BIN [--rounds N]: 200 made-up streams of 4 Mbit/s from one thread, between two namespaces. What `tallywire rehearse`
says of its own lateness is held against the capture of the far side: the time at which each frame's last packet came, by tcpdump, against a
grid of its frame rate that is laid through the stream's soonest frame. Medians of several rounds. One thread
sends, held to the last core; `cpu_share` is its part of it. Over a veth the kernel would do the far side's receiving on the sender's core and
before the sender: it is steered to the first core (RPS), as it would be another machine's."""

import argparse
import collections
import json
import os
import pathlib
import signal
import statistics
import struct
import subprocess
import sys
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "support"))
from namespaces import Namespaces, wait_until  # noqa: E402

FAR, NEAR, PORT = "192.0.2.10", "192.0.2.20", 7861
STREAMS, MBPS, FPS = 200, 4, 25
RTP_AT = 42  # behind Ethernet 14, IPv4 20, UDP 8
LAST_CPU = os.cpu_count() - 1
FRAGMENT_TYPE_AT, IDR = RTP_AT + 12 + 1, 5  # RFC 6184 section 5.8


def frames_of(file):
    """Of each stream (SSRC): time stamp -> arrival of the packet with the marker, in ms. Difference frames alone, which are alike in length: a
    key frame takes longer to leave at its unit's speed."""
    data, at = file.read_bytes(), 24
    nano = struct.unpack_from("<I", data)[0] == 0xA1B23C4D
    out = collections.defaultdict(dict)
    while at + 16 <= len(data):
        seconds, fraction, caught, _ = struct.unpack_from("<IIII", data, at)
        frame, rtp = at + 16, at + 16 + RTP_AT
        at += 16 + caught
        if data[rtp + 1] & 0x80 and data[frame + FRAGMENT_TYPE_AT] & 31 != IDR:
            _, _, _, stamp, ssrc = struct.unpack_from(">BBHII", data, rtp)
            out[ssrc][stamp] = (seconds % 1000) * 1000 + fraction / (1e6 if nano else 1e3)
    return out


def lateness_ms(frames):
    out = []
    for stream in frames.values():
        delays = [at - stamp / 90 for stamp, at in stream.items()]
        out += [delay - min(delays) for delay in delays]
    return sorted(out)


def run_round(ns, binaries, folder):
    file = folder / "caught.pcap"
    dump = ns.start("far", "tcpdump", "-i", "eth0", "-s", "64", "-B", "131072", "--time-stamp-precision", "nano", "-w", file, f"udp and src host {NEAR}",
                    stderr=subprocess.PIPE, text=True)
    dump.stderr.readline()
    done = ns.run("near", "taskset", "-c", f"{LAST_CPU}", binaries / "tallywire", "rehearse", FAR, "--key", "key", "--secrets", folder / "secrets.json",
                  "--alone", "--json", "--streams", STREAMS, "--mbps", 10 * MBPS, "--most-scale", 0.1, check=False, timeout=60)
    ns.end(dump, signal.SIGINT)
    said = dump.stderr.read()
    dump.stderr.close()
    step = json.loads(done.stdout)["steps"][0]
    seen = lateness_ms(frames_of(file))
    file.unlink()
    return {"offered_mbps": step["offered_bps"] / 1e6, "lost_packets": step["lost_packets"], "late_p99_ms": step["pacing_late_p99_ms"],
            "late_most_ms": step["pacing_late_most_ms"], "within_1_ms": step["frames_within_1_ms_ratio"], "cpu_share": step["sender_cpu_ratio"],
            "caught_late_p99_ms": seen[int(0.99 * len(seen))], "caught_within_1_ms": sum(late <= 1 for late in seen) / len(seen),
            "capture_dropped": next((int(line.split()[0]) for line in said.splitlines() if "dropped by kernel" in line), -1)}


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("bin", type=pathlib.Path)
    parser.add_argument("--rounds", type=int, default=5)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="tallywire-rehearse-bench-") as holder, Namespaces("far", "near") as ns:
        folder = pathlib.Path(holder)
        secrets = folder / "secrets.json"
        secrets.touch(mode=0o600)
        secrets.write_text(json.dumps({"key": {"key": "0123456789abcdef" * 2}}))
        (folder / "settings.json").write_text(json.dumps({"far_end": {"address": FAR, "tcp_port": PORT, "key_secret": "key", "volumes": {}}}))
        ns.cable("far", "near", address_a=f"{FAR}/24", address_b=f"{NEAR}/24")
        ns.run("far", "sh", "-c", "echo 1 > /sys/class/net/eth0/queues/rx-0/rps_cpus")
        ns.start("far", arguments.bin / "tallywired", "--settings", folder / "settings.json", "--secrets", secrets)
        wait_until(lambda: f"{FAR}:{PORT}" in ns.run("far", "ss", "-Hltn").stdout, 20, "the far end")
        rounds = [run_round(ns, arguments.bin, folder) for _ in range(arguments.rounds)]
    for one in rounds:
        print("  ".join(f"{key} {value:.4g}" for key, value in one.items()))
    print("median: " + "  ".join(f"{key} {statistics.median(r[key] for r in rounds):.4g}" for key in rounds[0]))


if __name__ == "__main__":
    main()
