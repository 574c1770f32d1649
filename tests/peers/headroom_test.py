"""Headroom against the wire: what `tallywire headroom` computes from metered streams, held against what tcpdump saw of the same
streams, at random phases and with all key frames together. Streams are shaped like H.264 (tests/bench/stream_shape.hpp). It is a
test of figures, not of speed. Intervals by Clopper and Pearson (1934)."""

import collections
import itertools
import json
import math
import pathlib
import random
import statistics
import struct
import subprocess
import sys
import tempfile
import time
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "support"))
from namespaces import Namespaces, wait_until  # noqa: E402

BIN = sys.argv.pop()
SENDER, RECORDER, PORT, SENDER_MAC = "192.0.2.10", "192.0.2.20", 8554, "02:00:5e:10:00:41"
STREAMS = 24
RISK = 0.01
WINDOW_MS, FRAME_MS, GOP_MS = 100, 40, 1000
AT_ONCE, TIMES = 4, 8  # draws of phases: so many sets of streams beside each other, so often
COLLIDING_PORT = 39000
# Of stream_shape.hpp: payload and packets of a key frame and of the others; 78 octets beside the payload of each packet (RTP 12, UDP 8,
# IP 20, Ethernet with FCS, preamble and gap 38: RFC 3550, 768, 791, RFC 5180 App. A).
KEY_OCTETS, FRAME_OCTETS = 86216 + 64 * 78, 17241 + 13 * 78

# SETUP and PLAY of streams whose numbers are told, each set to a port of its own; what arrives is left to the kernel.
VIEWER = """
import json, socket, sys, time
host, port, seconds, sets = sys.argv[1], int(sys.argv[2]), float(sys.argv[3]), json.loads(sys.argv[4])
held = []
def ask(connection, text):
    connection.sendall(text.encode())
    answer = b""
    while b"\\r\\n\\r\\n" not in answer:
        answer += connection.recv(4096)
    assert answer.startswith(b"RTSP/1.0 200"), answer
for media_port, numbers in sets:
    media = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    media.bind(("", media_port))
    held.append(media)
    for number in numbers:
        connection = socket.create_connection((host, port), 10)
        url = f"rtsp://{host}:{port}/{number}"
        ask(connection, f"SETUP {url}/track RTSP/1.0\\r\\nCSeq: 1\\r\\nTransport: RTP/AVP;unicast;client_port={media_port}-{media_port + 1}\\r\\n\\r\\n")
        held.append(connection)
for connection in held:
    if connection.type == socket.SOCK_STREAM:
        ask(connection, "PLAY * RTSP/1.0\\r\\nCSeq: 2\\r\\nSession: 1\\r\\n\\r\\n")
time.sleep(seconds)
"""


def design():
    stream = {"use": "record", "codec": "H264", "width_px": 1280, "height_px": 720, "frame_rate_hz": 25, "bit_rate_kbps": 4000,
              "rate_mode": "capped", "gop_frames": 25, "transport": "udp"}
    heads = [{"id": str(n), "view": "", "streams": [{"id": "main", "path": f"/{n}", **stream}]} for n in range(STREAMS)]
    return {"format": 1, "site": {"name": "Tram depot", "place": "", "customer": ""},
            "limits": {"busiest_instant_risk_ratio": RISK, "stream_seconds": 10},
            "switches": [{"id": "hall", "place": "", "address": "192.0.2.2", "ports": ["p1", "up"],
                          "uplinks": [{"id": "up", "port": "up", "to": "core", "speed_mbps": 1000}]}],
            "cameras": [{"id": "quad", "place": "", "switch": "hall", "port": "p1", "address": SENDER,
                         "hardware_address": SENDER_MAC, "link_speed_mbps": 1000,
                         "power_source": "switch_port", "rtsp_port": PORT, "heads": heads}], "recorders": []}


def frames_of(file):
    """Of each UDP frame of a pcap: time in ns, octets on the wire (FCS, preamble and gap with it), destination port."""
    data = file.read_bytes()
    nano = struct.unpack_from("<I", data)[0] == 0xA1B23C4D
    at = 24
    while at + 16 <= len(data):
        seconds, fraction, caught, length = struct.unpack_from("<IIII", data, at)
        frame = data[at + 16:at + 16 + caught]
        at += 16 + caught
        ports = 14 + (frame[14] & 15) * 4
        yield (seconds * 1_000_000_000 + fraction * (1 if nano else 1000), max(length + 24, 84),
               struct.unpack_from(">H", frame, ports + 2)[0])


def slots_by_port(file):
    """Octets in each millisecond, by destination port."""
    out = collections.defaultdict(collections.Counter)
    for when, octets, port in frames_of(file):
        out[port][when // 1_000_000] += octets
    return out


def bps(octets):
    return octets * 8000 / WINDOW_MS


def exact_busiest():
    """The least rate that the streams, each at a phase of its own, exceed in a window with a probability of at most RISK."""
    one = collections.Counter()
    for begin in range(GOP_MS):  # frames are sent at whole milliseconds
        sent = [at for at in range(0, 2 * GOP_MS, FRAME_MS) if begin <= at < begin + WINDOW_MS]
        one[sum(KEY_OCTETS if at % GOP_MS == 0 else FRAME_OCTETS for at in sent)] += 1 / GOP_MS
    sums = {0: 1.0}
    for _ in range(STREAMS):
        more = collections.Counter()
        for (octets, share), (own, own_share) in itertools.product(sums.items(), one.items()):
            more[octets + own] += share * own_share
        sums = more
    above = 0
    for octets, share in sorted(sums.items(), reverse=True):
        above += share
        if above > RISK:
            return bps(octets)
    return 0


def lower_bound(hits, trials, one_side=1e-4):
    """Clopper and Pearson: the share at which so many hits or more come with a probability of one_side."""
    def reached(share):
        return 1 - sum(math.comb(trials, k) * share**k * (1 - share)**(trials - k) for k in range(hits))
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if reached(middle) < one_side else (low, middle)
    return low if hits else 0.0


class Headroom(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.ns = Namespaces("cameras", "recorder")
        cls.ns.__enter__()
        cls.addClassCleanup(cls.ns.__exit__)
        cls.ns.cable("cameras", "recorder", address_a=f"{SENDER}/24", address_b=f"{RECORDER}/24", mac_a=SENDER_MAC)
        cls.ns.run("cameras", "ethtool", "-K", "eth0", "tx-udp-segmentation", "off")  # each packet crosses by itself
        holder = tempfile.TemporaryDirectory(prefix="tallywire-headroom-")
        cls.addClassCleanup(holder.cleanup)
        cls.folder = pathlib.Path(holder.name)
        cls.sender = cls.ns.start("cameras", f"{BIN}/stream_sender", SENDER, PORT)
        wait_until(cls.answers, 10, "the sender")
        (cls.folder / "site.json").write_text(json.dumps(design()))
        done = cls.ns.run("recorder", f"{BIN}/tallywire", "headroom", "--alone", "--json", "--design", cls.folder / "site.json",
                          "--interface", "eth0", check=False, timeout=60)
        cls.said = done.stdout + done.stderr
        if '"uplinks"' not in cls.said:
            raise AssertionError(cls.said)
        cls.row = json.loads(done.stdout)["uplinks"][0]

    @classmethod
    def answers(cls):
        return f":{PORT}" in cls.ns.run("cameras", "ss", "-ltn").stdout

    def caught(self, sets, seconds):
        """What crosses while these sets of streams play."""
        file = self.folder / "caught.pcap"
        dump = self.ns.start("recorder", "tcpdump", "-i", "eth0", "-s", "64", "-B", "131072", "-w", file, f"udp and src host {SENDER}",
                             stderr=subprocess.PIPE)
        wait_until(lambda: "promiscuity 1" in self.ns.run("recorder", "ip", "-d", "link", "show", "eth0").stdout, 10, "tcpdump")
        self.ns.run("recorder", "/usr/bin/python3", "-c", VIEWER, SENDER, PORT, seconds, json.dumps(sets), timeout=60)
        self.ns.end(dump, 2)
        said = dump.stderr.read().decode()
        dump.stderr.close()
        self.assertIn("0 packets dropped by kernel", said)
        slots = slots_by_port(file)
        file.unlink()
        return slots

    def test_the_row_says_what_was_measured_and_how(self):
        row = self.row
        self.assertEqual((row["streams"], row["streams_measured"], row["unread"]), (STREAMS, STREAMS, None), self.said)
        self.assertEqual((row["busiest_by"], row["busiest_window_ms"]), ("convolution", WINDOW_MS))
        self.assertLessEqual(row["busiest_exceeded_ratio"], RISK)
        self.assertGreaterEqual(row["windows_seen_least"], 80)
        self.assertLess(row["measured_bps"], row["busiest_bps"])
        self.assertLess(row["busiest_bps"], row["together_bps"])
        # 500 000 octets of payload each second (stream_shape.hpp) in packets of 1400, 66 and 12 octets beside it each.
        self.assertAlmostEqual(row["measured_bps"] / (STREAMS * 4e6 * 1466 / 1388), 1, delta=0.02)
        self.assertEqual(row["more_units"], int((row["ceiling_bps"] - row["measured_bps"]) / row["measured_bps"]))
        self.assertEqual(row["more_units_like"], "camera/quad")
        # Above the exact rate by no more than a class of the meter's histogram, 1/16, and the convolution's grid.
        exact = exact_busiest()
        print(f"busiest: computed {row['busiest_bps'] / 1e6:.1f}, by the streams' shape {exact / 1e6:.1f} Mbit/s", file=sys.stderr)
        self.assertGreater(row["busiest_bps"], 0.999 * exact)
        self.assertLess(row["busiest_bps"], 1.08 * exact)
        # One unit at 1 Gbit/s before an uplink of 1 Gbit/s: nothing waits.
        self.assertAlmostEqual(row["buffer_needed_bytes"], 0, delta=1)

    def test_at_random_phases_the_wire_is_above_the_computed_rate_no_more_often_than_computed(self):
        dice = random.Random(20261126)
        shares, most = [], 0
        for _ in range(TIMES):
            ports = [30000 + 2 * i for i in range(AT_ONCE)]
            slots = self.caught([[port, [dice.randrange(1_000_000) for _ in range(STREAMS)]] for port in ports], 2.3)
            for port in ports:
                end = max(slots[port]) - 20
                begin = end - GOP_MS  # one GOP of each stream, all of them playing; the next would be the same again
                self.assertGreater(begin, min(slots[port]) + GOP_MS - 100)
                windows = [bps(sum(slots[port][begin + w * WINDOW_MS + ms] for ms in range(WINDOW_MS))) for w in range(GOP_MS // WINDOW_MS)]
                self.assertAlmostEqual(sum(windows) / len(windows) / self.row["measured_bps"], 1, delta=0.02)
                shares += [w > self.row["busiest_bps"] for w in windows]
                most = max(most, *windows)
        above = sum(shares)
        print(f"{above} of {len(shares)} windows above {self.row['busiest_bps'] / 1e6:.1f} Mbit/s, computed for a share of {RISK}; the highest "
              f"{most / 1e6:.1f}, the mean {self.row['measured_bps'] / 1e6:.1f} Mbit/s", file=sys.stderr)
        self.assertLessEqual(lower_bound(above, len(shares)), RISK)
        # Nor is it a rate that never comes near: in so many windows the highest lies about it.
        self.assertGreater(most, 0.85 * self.row["busiest_bps"])

    def test_key_frames_that_collide_come_to_the_figure_of_all_at_once(self):
        slots = self.caught([[COLLIDING_PORT, [7] * STREAMS]], 6.2)[COLLIDING_PORT]
        first, last = min(slots), max(slots)
        highest = [max(bps(sum(slots[begin + ms] for ms in range(WINDOW_MS))) for begin in range(gop, gop + GOP_MS))
                   for gop in range(first, last - GOP_MS, GOP_MS)]
        print("all key frames at once, GOP for GOP: " + ", ".join(f"{h / 1e6:.1f}" for h in highest) +
              f" Mbit/s in {WINDOW_MS} ms on the wire, computed {self.row['together_bps'] / 1e6:.1f}", file=sys.stderr)
        self.assertGreaterEqual(len(highest), 5)
        # By arithmetic: each key frame and the two frames that come within 100 ms of it.
        all_at_once = bps(STREAMS * (KEY_OCTETS + 2 * FRAME_OCTETS))
        self.assertAlmostEqual(self.row["together_bps"] / all_at_once, 1, delta=0.01)
        self.assertAlmostEqual(statistics.median(highest) / self.row["together_bps"], 1, delta=0.01)
        # That is what independence assumes away, and why it is told.
        self.assertGreater(min(highest), self.row["busiest_bps"])
        self.assertIn("assumption", self.row["method"])


if __name__ == "__main__":
    unittest.main(verbosity=2)
