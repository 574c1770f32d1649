"""Loss, duplicates, reordering and jitter by tallywire stream, against a capture of the same run that tshark takes apart.
gst-rtsp-server sends by UDP and multicast through two namespaces: in the first nftables drops packets, in the second a
program doubles them and changes their order. The capture is made where the client receives, so it knows of nothing else.

server -- [drop: bridge, nft ingress] -- [mix: mangler.py] -- client, tcpdump"""

import collections
import concurrent.futures
import json
import pathlib
import re
import signal
import subprocess
import sys
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "support"))
from gst_peer import CLIENT, GROUPS, HERE, PORT, SERVER, GstPeer, make_file, scratch  # noqa: E402
from namespaces import Namespaces, run, wait_until  # noqa: E402
from rtp_truth import jitter_ms, order_of  # noqa: E402

BIN = sys.argv.pop()
CLOCK_HZ = 90_000  # RFC 3551
RULES = f"""table netdev path {{
  chain ingress {{
    type filter hook ingress device in0 priority 0;
    ip saddr {SERVER} meta l4proto udp ip length > 300 numgen inc mod 41 == 7 counter drop
  }}
}}
"""
Packet = collections.namedtuple("Packet", "frame time_s sequence rtp_time")


def lay(ns):
    """One cable after another. Checksums and segments are made by the sender's kernel, since the mangler copies frames
    as they are."""
    ns.cable("server", "drop", "eth0", "in0", address_a=f"{SERVER}/24")
    ns.cable("drop", "mix", "out0", "in1")
    ns.cable("mix", "client", "out1", "eth0", address_b=f"{CLIENT}/24")
    for where in ("server", "client"):
        ns.run(where, "ethtool", "-K", "eth0", "tx", "off", "tso", "off", "gso", "off", "gro", "off")
        run("ip", "-n", ns.name(where), "route", "add", "224.0.0.0/4", "dev", "eth0")
    # Without snooping: no querier stands here, and a group must pass as on a plain cable.
    ns.run("drop", "ip", "link", "add", "br0", "type", "bridge", "mcast_snooping", "0")
    for port in ("in0", "out0"):
        ns.run("drop", "ip", "link", "set", "dev", port, "master", "br0")
    ns.run("drop", "ip", "link", "set", "dev", "br0", "up")
    ns.run("drop", "nft", "-f", "-", input=RULES)


def packets_of(capture, port, ssrc):
    """In the order of arrival, as tshark reads them."""
    text = run("tshark", "-n", "-r", capture, "-d", f"udp.port=={port},rtp", "-Y", f"rtp.ssrc == {ssrc:#x}", "-T", "fields",
               "-e", "frame.number", "-e", "frame.time_epoch", "-e", "rtp.seq", "-e", "rtp.timestamp").stdout
    rows = (line.split("\t") for line in text.splitlines())
    return [Packet(int(frame), float(time), int(sequence), int(stamp)) for frame, time, sequence, stamp in rows]


def metered(packets, answer):
    """The stretch that the meter saw: as many packets, and as long. The capture goes on longer, and where a group is
    joined after PLAY it may begin earlier, too."""
    count = answer["packets"]
    starts = range(len(packets) - count + 1)
    begin = min(starts, key=lambda i: abs(packets[i + count - 1].time_s - packets[i].time_s - answer["duration_s"]))
    return packets[begin:begin + count]


def lost_by_tshark(capture, port, ssrc, packets, folder):
    """Expected less received, duplicates among the received, by `tshark -z rtp,streams`."""
    part = folder / f"{ssrc:x}.pcap"
    only = f"rtp.ssrc == {ssrc:#x} && frame.number >= {packets[0].frame} && frame.number <= {packets[-1].frame}"
    run("tshark", "-n", "-r", capture, "-d", f"udp.port=={port},rtp", "-Y", only, "-F", "pcap", "-w", part)
    text = run("tshark", "-n", "-r", part, "-d", f"udp.port=={port},rtp", "-q", "-z", "rtp,streams").stdout
    line = next(line for line in text.splitlines() if f"0x{ssrc:08X}" in line)
    return int(re.search(r"(-?\d+) \(-?[\d.]+%\)", line).group(1))


class Loss(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = scratch(cls)
        h264 = make_file(cls.folder, "known", "h264", "1280x720", 25, 25, 25, ("-preset", "ultrafast", "-b:v", "4M"))
        jpeg = make_file(cls.folder, "known", "jpeg", "640x480", 10, 1, 25)
        mounts = {"/h264": {"file": str(h264)}, "/jpeg": {"file": str(jpeg)},
                  "/to-all": {"file": str(h264), "multicast": [f"{GROUPS}9", 5000]}}
        cls.ns = Namespaces("server", "drop", "mix", "client").__enter__()
        cls.addClassCleanup(cls.ns.__exit__)
        lay(cls.ns)
        cls.peer = GstPeer(cls.ns, cls.folder, BIN)
        cls.peer.start(mounts)
        cls.capture = cls.folder / "client.pcap"
        cls.mangled = cls.run_streams()

    @classmethod
    def run_streams(cls):
        with open(cls.folder / "mangler.log", "w") as log:
            mangler = cls.ns.start("mix", "/usr/bin/python3", HERE / "mangler.py", "in1", "out1", SERVER, stdout=log,
                                   stderr=subprocess.STDOUT)
        with open(cls.folder / "tcpdump.log", "w") as log:
            tcpdump = cls.ns.start("client", "tcpdump", "-U", "--immediate-mode", "-Z", "root", "-B", "16384", "-i", "eth0",
                                   "-w", cls.capture, f"udp and src host {SERVER}", stderr=log)

        def read(name):
            return (cls.folder / name).read_text()
        wait_until(lambda: "ready" in read("mangler.log") and "listening" in read("tcpdump.log"), 20, "mangler and tcpdump")
        paths = {"h264": "udp", "jpeg": "udp", "to-all": "multicast"}
        with concurrent.futures.ThreadPoolExecutor(len(paths)) as pool:
            futures = {name: pool.submit(cls.peer.stream, f"rtsp://{SERVER}:{PORT}/{name}", "--seconds", "12", "--transport",
                                         transport, codes=(0, 3)) for name, transport in paths.items()}
        cls.answers = {name: future.result() for name, future in futures.items()}
        cls.ns.end(tcpdump, signal.SIGINT)
        cls.ns.end(mangler)
        cls.tcpdump_said = read("tcpdump.log")
        return json.loads(read("mangler.log").splitlines()[-1])

    def check(self, name):
        answer = self.answers[name]
        port = int(answer["destination"].rpartition(":")[2])
        packets = metered(packets_of(self.capture, port, answer["ssrc"]), answer)
        lost, duplicates, reordered = order_of(packets)
        self.assertEqual((answer["lost_packets"], answer["duplicate_packets"], answer["reordered_packets"]),
                         (lost, duplicates, reordered))
        self.assertEqual(lost_by_tshark(self.capture, port, answer["ssrc"], packets, self.folder), lost - duplicates)
        self.assertAlmostEqual(answer["jitter_ms"], jitter_ms(packets, CLOCK_HZ), delta=0.1)
        # And the path really did it all: one in 41 of all, 53 and 211, 59 and 127 of each.
        for found, about in ((lost, len(packets) / 41), (duplicates, len(packets) * (1 / 53 + 1 / 211)),
                             (reordered, len(packets) * (1 / 59 + 1 / 127))):
            self.assertGreater(found, about / 2)

    def test_the_capture_is_whole(self):
        self.assertIn("\n0 packets dropped by kernel", self.tcpdump_said)

    def test_the_capture_misses_what_nftables_dropped(self):
        rules = self.ns.run("drop", "nft", "list", "ruleset").stdout
        dropped = int(re.search(r"counter packets (\d+)", rules).group(1))
        passed = sum(flow["packets"] for flow in self.mangled.values())
        self.assertEqual(dropped, (dropped + passed + 33) // 41)

    def test_h264_by_udp(self):
        self.check("h264")

    def test_jpeg_by_udp(self):
        self.check("jpeg")

    def test_h264_by_multicast(self):
        self.check("to-all")


if __name__ == "__main__":
    unittest.main(verbosity=2)
