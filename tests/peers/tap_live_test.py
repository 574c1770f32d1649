"""`tallywire tap --interface`: what passes a card, held against what tcpdump caught of the same and tshark read in it; several
capture threads; a tap that is too slow, that loses its link, that is told to end."""

import json
import os
import pathlib
import re
import signal
import struct
import sys
import tempfile
import time
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "support"))
sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent))
from capture_bytes import EPOCH_NS, Host, ethernet, udp  # noqa: E402
from namespaces import Namespaces, run, wait_until  # noqa: E402
from rtp_truth import h264, mangle, truth  # noqa: E402
import tshark_rtp  # noqa: E402

BIN = sys.argv.pop()
RECORDER = Host("192.0.2.20", 30000)

# Sends frames of a file (4 octets of length, 8 of time in ns, then the frame) at their times, out of an interface.
SENDER = """
import socket, struct, sys, time
out = socket.socket(socket.AF_PACKET, socket.SOCK_RAW)
out.bind((sys.argv[2], 0))
data = open(sys.argv[1], "rb").read()
paced = sys.argv[3] == "paced"
at, begin, first = 0, time.monotonic_ns(), None
while at < len(data):
    length, when = struct.unpack_from("<IQ", data, at)
    first = first or when
    if paced:
        left = (when - first) - (time.monotonic_ns() - begin)
        if left > 0:
            time.sleep(left / 1e9)
    out.send(data[at + 12:at + 12 + length])
    at += 12 + length
"""


def camera(number):
    return Host(f"198.51.100.{10 + number}", 20000 + number)


class Live(unittest.TestCase):
    def setUp(self):
        self.ns = Namespaces("cameras", "mirror")
        self.ns.__enter__()
        self.addCleanup(self.ns.__exit__)
        self.ns.cable("cameras", "mirror")
        for end in ("cameras", "mirror"):  # no router solicitations between ours
            self.ns.run(end, "sysctl", "-qw", "net.ipv6.conf.eth0.disable_ipv6=1")
        holder = tempfile.TemporaryDirectory(prefix="tallywire-tap-")
        self.addCleanup(holder.cleanup)
        self.folder = pathlib.Path(holder.name)

    def listening(self):
        """How many captures the interface has."""
        return int(re.search(r"promiscuity (\d+)", self.ns.run("mirror", "ip", "-d", "link", "show", "eth0").stdout)[1])

    def tap(self, *arguments):
        out, err = open(self.folder / "answer", "w+"), open(self.folder / "said", "w+")
        self.addCleanup(out.close)
        self.addCleanup(err.close)
        before = self.listening()
        process = self.ns.start("mirror", f"{BIN}/tallywire", "tap", "--interface", "eth0", "--alone", *arguments, stdout=out, stderr=err)
        threads = int(arguments[arguments.index("--threads") + 1]) if "--threads" in arguments else 1
        wait_until(lambda: self.listening() >= before + threads or process.poll() is not None, 10, "the tap")
        time.sleep(0.7)  # its rings are mapped, its threads share
        self.assertIsNone(process.poll(), (self.folder / "said").read_text())
        return process

    def answer(self, process, limit_s=30):
        process.wait(limit_s)
        return json.loads((self.folder / "answer").read_text())

    def send(self, frames, how="paced"):
        file = self.folder / "frames"
        file.write_bytes(b"".join(struct.pack("<IQ", len(octets), when) + octets for when, octets in frames))
        self.ns.run("cameras", "/usr/bin/python3", "-c", SENDER, file, "eth0", how)

    def frames(self, streams, seconds, **harm):
        out, truths = [], []
        for number in range(streams):
            came = mangle(h264(0x5000 + number, seconds, start_ns=EPOCH_NS + number * 1_700_000), number + 1, **harm)
            out += [(when, ethernet(udp(camera(number), RECORDER, octets))) for when, octets in came]
            truths.append(truth(came, camera(number), RECORDER))
        return sorted(out, key=lambda frame: frame[0]), truths

    def test_a_mirror_port_tells_what_tcpdump_caught_there(self):
        frames, truths = self.frames(3, 4, loss=0.02, duplicates=0.01, reorder=0.02)
        caught = self.folder / "caught.pcap"
        dump = self.ns.start("mirror", "tcpdump", "-i", "eth0", "-U", "-w", caught, "udp")
        wait_until(lambda: self.listening() == 1 and caught.exists(), 10, "tcpdump")
        process = self.tap("--seconds", "9", "--json")
        self.send(frames)
        answer = self.answer(process)
        self.ns.end(dump, signal.SIGINT)
        self.assertEqual(answer["capture"]["dropped_by_kernel_packets"], 0)
        by_file = {s["ssrc"]: s for s in json.loads(run(f"{BIN}/tallywire", "tap", caught, "--json", check=False).stdout)["streams"]}
        theirs = tshark_rtp.streams(caught, (30000,))
        self.assertEqual(len(answer["streams"]), 3)
        for stream in answer["streams"]:
            expected = next(t for t in truths if t["ssrc"] == stream["ssrc"])
            for field in ("packets", "lost_packets", "duplicate_packets", "reordered_packets", "source", "destination", "payload_type"):
                self.assertEqual(stream[field], expected[field], field)
                self.assertEqual(by_file[stream["ssrc"]][field], expected[field], field)
            # Both stamp by the kernel's clock, each on its own socket.
            self.assertAlmostEqual(stream["jitter_ms"], by_file[stream["ssrc"]]["jitter_ms"], delta=0.1)
        self.assertEqual({s["ssrc"]: s["packets"] for s in answer["streams"]}, {key[2]: found.packets for key, found in theirs.items()})

    def test_threads_share_the_streams_and_each_packet_counts_once(self):
        frames, truths = self.frames(40, 2)
        process = self.tap("--seconds", "8", "--json", "--threads", "4")
        self.send(frames, "at once")
        answer = self.answer(process)
        self.assertEqual(answer["capture"]["threads"], 4)
        self.assertEqual({s["ssrc"]: (s["packets"], s["lost_packets"], s["duplicate_packets"]) for s in answer["streams"]},
                         {t["ssrc"]: (t["packets"], 0, 0) for t in truths})

    def test_a_tap_that_is_too_slow_blames_itself(self):
        frames, _ = self.frames(40, 17)
        process = self.tap("--json", "--seconds", "60", "--threads", "1")
        self.send(frames[:2000], "at once")
        time.sleep(0.5)
        os.killpg(process.pid, signal.SIGSTOP)  # as a machine that has other things to do
        self.send(frames[2000:-600], "at once")  # more than a ring of 64 MiB holds
        os.killpg(process.pid, signal.SIGCONT)
        time.sleep(2)
        self.send(frames[-600:])
        time.sleep(0.5)
        os.killpg(process.pid, signal.SIGINT)
        answer = self.answer(process)
        dropped = answer["capture"]["dropped_by_kernel_packets"]
        self.assertGreater(dropped, 0)
        self.assertEqual(process.returncode, 3)
        self.assertTrue(any("the capture itself lost" in finding for finding in answer["findings"]), answer["findings"])
        short = [stream for stream in answer["streams"] if stream["missing_packets"] > 0]
        self.assertTrue(short)
        for stream in short:
            self.assertIsNone(stream["lost_packets"])
            self.assertIn("cannot be told", stream["unread"]["lost_packets"])

    def test_a_link_that_goes_down_and_comes_back_is_a_gap(self):
        frames, truths = self.frames(1, 12)
        process = self.tap("--json", "--seconds", "18", "--follow")
        begin, end = frames[len(frames) // 3][0], frames[2 * len(frames) // 3][0]
        self.send([f for f in frames if f[0] < begin])
        time.sleep(0.5)
        self.ns.run("mirror", "ip", "link", "set", "eth0", "down")
        time.sleep((end - begin) / 1e9)
        wait_until(lambda: self.listening() == 0, 5, "the tap to let go")
        self.ns.run("mirror", "ip", "link", "set", "eth0", "up")
        wait_until(lambda: self.listening() == 1, 10, "the tap to come back")
        time.sleep(0.7)
        sent = [f for f in frames if f[0] > end]
        self.send(sent)
        process.wait(30)
        lines = (self.folder / "answer").read_text().split("\n{\n", 1)
        looks = [json.loads(line) for line in lines[0].splitlines()]
        answer = json.loads("{" + lines[1])
        self.assertTrue(any("down" in look["data"]["note"] for look in looks), [look["data"]["note"] for look in looks])
        self.assertTrue(any(look["data"]["streams"] for look in looks))
        stream = answer["streams"][0]
        self.assertEqual(stream["lost_packets"], 0)
        self.assertEqual(len(stream["gaps"]), 1)
        self.assertGreater(stream["gaps"][0]["duration_s"], 3)
        self.assertEqual(stream["packets"], len([f for f in frames if f[0] < begin]) + len(sent))
        self.assertTrue(any("the tap itself was away" in finding for finding in stream["findings"]), stream["findings"])

    def test_ctrl_c_keeps_what_was_read(self):
        frames, truths = self.frames(1, 2)
        process = self.tap("--json", "--seconds", "600")
        self.send(frames)
        time.sleep(0.3)
        os.killpg(process.pid, signal.SIGINT)
        answer = self.answer(process, 5)
        self.assertEqual(answer["streams"][0]["packets"], truths[0]["packets"])

    def test_what_tcpdump_writes_is_read_as_it_comes(self):
        frames, truths = self.frames(1, 2)
        command = f"tcpdump -i eth0 -U -w - udp 2>/dev/null | {BIN}/tallywire tap - --json"
        answer = open(self.folder / "answer", "w+")
        self.addCleanup(answer.close)
        process = self.ns.start("mirror", "sh", "-c", command, stdout=answer)
        wait_until(lambda: self.listening() == 1, 10, "tcpdump")
        time.sleep(0.7)
        self.send(frames)
        time.sleep(0.5)
        for pid in self.ns.run("mirror", "sh", "-c", f"pgrep -g {process.pid} tcpdump").stdout.split():
            os.kill(int(pid), signal.SIGINT)
        process.wait(10)
        self.assertEqual(json.loads((self.folder / "answer").read_text())["streams"][0]["packets"], truths[0]["packets"])

    def test_an_interface_that_is_not_there_is_told(self):
        done = self.ns.run("mirror", f"{BIN}/tallywire", "tap", "--interface", "eth7", "--alone", check=False)
        self.assertEqual(done.returncode, 3)
        self.assertIn("eth7", done.stderr)
        self.assertIn("ip link", done.stderr)


if __name__ == "__main__":
    unittest.main(verbosity=2)
