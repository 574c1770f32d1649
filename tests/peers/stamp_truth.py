"""What a capture says of a STAMP session: packets as tshark's TWAMP-Test dissector reads them (RFC 8762 §4.6: the same layout),
and loss, doubles, order and delays reckoned from them by the words of the RFCs. Independent of the program under test."""

import collections
import subprocess

FIELDS = ("frame.time_epoch", "udp.length", "ip.src", "ip.ttl", "twamp.test.seq_number", "twamp.test.timestamp", "twamp.test.error_estimate",
          "twamp.test.mbz1", "twamp.test.receive_timestamp", "twamp.test.sender_seq_number", "twamp.test.sender_timestamp",
          "twamp.test.sender_error_estimate", "twamp.test.sender_ttl", "udp.payload")
Packet = collections.namedtuple("Packet", "at_ns octets source ttl number time error session received sender_number sender_time sender_error sender_ttl payload")


def epoch_ns(text):
    """Seconds since 1970 with nine places, without a float's loss."""
    whole, _, part = text.partition(".")
    return int(whole) * 10**9 + int(part.ljust(9, "0")[:9])


def number(text):
    return int(text, 0) if text else None


def read(capture, port):
    done = subprocess.run(["tshark", "-n", "-r", str(capture), "-d", f"udp.port=={port},twamp.test", "-Y", f"udp.port=={port} && !icmp", "-t", "e",
                           "-T", "fields", "-E", "separator=|", *sum((["-e", f] for f in FIELDS), [])],
                          capture_output=True, text=True, timeout=60, env={"TZ": "UTC", "PATH": "/usr/bin:/bin:/usr/sbin:/sbin", "HOME": "/tmp"})
    out = []
    for line in done.stdout.splitlines():
        f = line.split("|")
        out.append(Packet(epoch_ns(f[0]), int(f[1]) - 8, f[2], number(f[3]), number(f[4]), f[5], number(f[6]), number(f[7]), f[8], number(f[9]), f[10],
                          number(f[11]), number(f[12]), bytes.fromhex(f[13].replace(":", ""))))
    return out


def once(numbers):
    return list(dict.fromkeys(numbers))


def order(numbers):
    """RFC 4737 §3.3, §4.2.1, §5.2, §4.4, §4.5 of numbers as they came, each once: {number: (extent, n)}, gaps, runs."""
    reordered, gaps, runs, run, next_expected, last = {}, [], [], 0, -1, None
    for i, s in enumerate(numbers):
        if s >= next_expected:
            next_expected, run = s + 1, run + 1
            continue
        j = next(j for j in range(i) if numbers[j] > s)
        n = 0
        while n < i and numbers[i - n - 1] > s:
            n += 1
        reordered[s] = (i - j, n)
        runs.append(run)
        run = 0
        if last is not None and j > last:
            gaps.append(j - last)
        last = j if last is None else max(last, j)
    return reordered, gaps, runs


def loss_periods(sent, answered):
    """RFC 3357 §5.5: lengths of the runs of lost packets."""
    out, before = [], False
    for n in range(sent):
        lost = n not in answered
        if lost and before:
            out[-1] += 1
        elif lost:
            out.append(1)
        before = lost
    return out


def percentile(values, share):
    """RFC 2330 §11.3."""
    values = sorted(values)
    return values[min(len(values), max(1, -int(-share * len(values) // 1))) - 1]
