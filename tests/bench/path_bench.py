#!/usr/bin/python3
"""TCP over a bare veth by `tallywire path`, both ways, beside a minimal epoll reader and writer, in turns in the same run.

path_bench.py BIN [--rounds N] [--seconds N]; prints each round and the median ratio. As root."""

import argparse
import json
import pathlib
import statistics
import sys
import tempfile

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "support"))
from namespaces import Namespaces, wait_until  # noqa: E402

FAR, NEAR, PORT, BARE_PORT = "192.0.2.10", "192.0.2.20", 7861, 7862


def bare(ns, binaries, seconds):
    reader = ns.start("far", binaries / "bare_bulk", "listen", FAR, BARE_PORT, stdout=-1, text=True)
    wait_until(lambda: f"{FAR}:{BARE_PORT}" in ns.run("far", "ss", "-Hltn").stdout, 10, "the bare reader")
    ns.run("near", binaries / "bare_bulk", "send", FAR, BARE_PORT, seconds, timeout=seconds + 20)
    told, _ = reader.communicate(timeout=20)
    return float(told)


def main():
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("bin", type=pathlib.Path)
    arguments.add_argument("--rounds", type=int, default=7)
    arguments.add_argument("--seconds", type=float, default=3)
    given = arguments.parse_args()
    with Namespaces("far", "near") as ns, tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        secrets, settings = folder / "secrets.json", folder / "settings.json"
        secrets.touch(mode=0o600)
        secrets.write_text(json.dumps({"key": {"key": "0123456789abcdef" * 2}}))
        settings.write_text(json.dumps({"far_end": {"address": FAR, "tcp_port": PORT, "key_secret": "key", "volumes": {}}}))
        ns.cable("far", "near", address_a=f"{FAR}/24", address_b=f"{NEAR}/24")
        ns.start("far", given.bin / "tallywired", "--settings", settings, "--secrets", secrets)
        wait_until(lambda: f"{FAR}:{PORT}" in ns.run("far", "ss", "-Hltn").stdout, 20, "the far end")
        ratios = {"to": [], "from": []}
        for number in range(given.rounds):
            yardstick = bare(ns, given.bin, given.seconds)
            done = ns.run("near", given.bin / "tallywire", "path", FAR, "--key", "key", "--secrets", secrets, "--json", "--alone",
                          "--only", "tcp", "--seconds", given.seconds, timeout=60)
            answer = json.loads(done.stdout)
            after = bare(ns, given.bin, given.seconds)
            line = [f"round {number + 1}: bare {yardstick / 1e9:.2f} and {after / 1e9:.2f} Gbit/s"]
            for way, found in ratios.items():
                found.append(answer[way]["goodput_bps"] / ((yardstick + after) / 2))
                line.append(f"{way} {answer[way]['goodput_bps'] / 1e9:.2f} ({found[-1]:.2f})")
            print(", ".join(line), flush=True)
        for way, found in ratios.items():
            print(f"{way}: median {statistics.median(found):.3f} of the bare reader and writer ({min(found):.2f} to {max(found):.2f})")


main()
