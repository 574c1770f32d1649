#!/usr/bin/python3
"""tallywire volume beside `dd oflag=direct`, in turn, on the disk under a directory and on a loop device over it.

volume_bench.py BIN [--folder DIRECTORY] [--rounds 7] [--gib 2]. As root. Each round writes as much by dd, with blocks of 1 and of 4 MiB, and
by tallywire with 4 files; the kernel's own count of the device is read around each. The first round is not counted."""

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
from loop_volume import LoopVolume  # noqa: E402

GIB = 1 << 30


def device_count(path):
    """Octets that the kernel counts for the device under the path (Linux Documentation, block/stat: field 7)."""
    number = os.stat(path).st_dev
    return int(pathlib.Path(f"/sys/dev/block/{os.major(number)}:{os.minor(number)}/stat").read_text().split()[6]) * 512


def by_dd(folder, octets, mib):
    target = folder / "by-dd"
    begin = time.monotonic()
    subprocess.run(["dd", "if=/dev/zero", f"of={target}", f"bs={mib}M", f"count={octets // (mib << 20)}", "oflag=direct"],
                   check=True, stderr=subprocess.DEVNULL)
    rate = octets / (time.monotonic() - begin)
    target.unlink()
    return rate


def by_tallywire(binary, folder, seconds, files):
    before = device_count(folder)
    done = subprocess.run([binary / "tallywire", "volume", folder, "--alone", "--json", "--seconds", str(seconds), "--files", str(files)],
                          check=True, capture_output=True, text=True)
    answer = json.loads(done.stdout)
    counted = device_count(folder) - before
    return answer["written_bytes"] / answer["duration_s"], counted / answer["written_bytes"], answer


def middle(values):
    return f"{statistics.median(values) / 1e6:7.0f} MB/s ({min(values) / 1e6:.0f}-{max(values) / 1e6:.0f})"


def compare(name, binary, folder, rounds, octets):
    rates = {"dd, 1 MiB": [], "dd, 4 MiB": [], "tallywire": []}
    ratios, counts, knees = [], [], 0
    for number in range(rounds + 1):
        small, large = by_dd(folder, octets, 1), by_dd(folder, octets, 4)
        seconds = max(2.0, octets / max(small, large))
        own, counted, answer = by_tallywire(binary, folder, round(seconds, 1), 4)
        if number == 0:
            continue
        for key, rate in (("dd, 1 MiB", small), ("dd, 4 MiB", large), ("tallywire", own)):
            rates[key].append(rate)
        ratios.append(own / max(small, large))
        counts.append(counted)
        knees += answer["knee_at_bytes"] is not None
    print(f"{name}, {rounds} rounds")
    for key, values in rates.items():
        print(f"  {key:10} {middle(values)}")
    print(f"  beside the better dd of its round: {statistics.median(ratios) * 100:.1f} % ({min(ratios) * 100:.0f}-{max(ratios) * 100:.0f})")
    best = max(max(rates["dd, 1 MiB"]), max(rates["dd, 4 MiB"]))
    print(f"  best beside best: {max(rates['tallywire']) / best * 100:.1f} %")
    print(f"  the kernel's octets for each of ours: {statistics.median(counts):.4f} ({min(counts):.4f}-{max(counts):.4f}); knees: {knees}\n", flush=True)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("binary", type=pathlib.Path)
    parser.add_argument("--folder", type=pathlib.Path, default=pathlib.Path("/var/tmp"))
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--gib", type=float, default=2)
    options = parser.parse_args()
    octets = int(options.gib * GIB) // (4 << 20) * (4 << 20)
    with tempfile.TemporaryDirectory(prefix="tallywire-volume-bench-", dir=options.folder) as folder:
        folder = pathlib.Path(folder)
        compare(f"the disk under {options.folder}", options.binary, folder, options.rounds, octets)
        image = folder / "volume.img"
        subprocess.run(["truncate", "-s", str(3 * octets), image], check=True)
        with LoopVolume(image=image, direct=True) as volume:
            compare("a loop device with direct I/O over it", options.binary, volume.mount, options.rounds, octets)


if __name__ == "__main__":
    main()
