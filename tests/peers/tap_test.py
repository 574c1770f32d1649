"""tallywire tap on capture files, against tshark on the same files and against the truth of those that were made here.
Captures of three kinds: made of octets (tap_captures.py: one test a capture), and recorded by tcpdump from
gst-rtsp-server in namespaces, one of them while nftables drops packets."""

import concurrent.futures
import json
import pathlib
import re
import signal
import sys
import tempfile
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "support"))
import tap_captures  # noqa: E402
import tshark_rtp  # noqa: E402
from gst_peer import CLIENT, GROUPS, PORT, SERVER, GstPeer, make_file, scratch  # noqa: E402
from namespaces import Namespaces, run, wait_until  # noqa: E402

BIN = pathlib.Path(sys.argv.pop())
COUNTS = ("packets", "lost_packets", "duplicate_packets", "reordered_packets")
CLOCKS_HZ = {0: 8000}  # RFC 3551 table 4; all else here is video: 90,000
RULES = f"""table netdev path {{
  chain ingress {{
    type filter hook ingress device in0 priority 0;
    ip saddr {SERVER} meta l4proto udp ip length > 300 numgen inc mod 41 == 7 counter drop
  }}
}}
"""


def tap(file, codes=(0, 1, 3)):
    """The answer. 1 and 3: loss that was found, or a reading that could not be had."""
    done = run("timeout", "60", BIN / "tallywire", "tap", file, "--json", check=False)
    if done.returncode not in codes:
        raise AssertionError(f"exit {done.returncode}: {done.stdout[-2000:]}{done.stderr}")
    return json.loads(done.stdout)


def by_key(answer):
    return {(s["source"], s["destination"], s["ssrc"]): s for s in answer["streams"]}


class Comparison(unittest.TestCase):
    def compare(self, stream, expected, jitter_within_ms=0.1):
        """`expected` holds what is to be compared; a jitter of None could not be known."""
        for name, value in expected.items():
            if name == "jitter_ms":
                if value is not None:
                    self.assertAlmostEqual(stream[name], value, delta=jitter_within_ms, msg=name)
            else:
                self.assertEqual(stream[name], value, name)

    def compare_with_tshark(self, answer, found):
        streams = by_key(answer)
        self.assertEqual(set(streams), set(found))
        # Where the capture itself lost packets, whose loss it was is not known.
        missing = {key: s["lost_packets"] if s["lost_packets"] is not None else s["missing_packets"]
                   for key, s in streams.items()}
        for key, theirs in found.items():
            expected = tshark_rtp.metered(theirs, CLOCKS_HZ.get(min(theirs.kinds), 90000))
            self.assertEqual(missing[key], expected.pop("lost_packets"), key)
            with self.subTest(stream=key):
                self.compare(streams[key], expected)
        # Its own table: expected less received, duplicates among the received.
        loss = {key: theirs.lost for key, theirs in found.items() if streams[key]["transport"] != "tcp"}
        self.assertEqual({key: missing[key] - streams[key]["duplicate_packets"] for key in loss}, loss)
        self.assertEqual(sum(theirs.packets for theirs in found.values()), sum(s["packets"] for s in answer["streams"]))


class Made(Comparison):
    @classmethod
    def setUpClass(cls):
        folder = tempfile.TemporaryDirectory(prefix="tallywire-tap-")
        cls.addClassCleanup(folder.cleanup)
        cls.folder = pathlib.Path(folder.name)

    def check(self, name):
        file, made = tap_captures.write(name, self.folder)
        answer = tap(file)
        self.assertEqual(set(by_key(answer)), {(s["source"], s["destination"], s["ssrc"]) for s in made.streams})
        for expected in made.streams:
            stream = by_key(answer)[expected["source"], expected["destination"], expected["ssrc"]]
            with self.subTest(against="the truth", ssrc=hex(expected["ssrc"])):
                self.compare(stream, expected)
        for key, value in made.capture.items():
            self.assertEqual(answer["capture"][key], value, key)
        if not made.tshark_cannot:
            with self.subTest(against="tshark"):
                self.compare_with_tshark(answer, tshark_rtp.streams(file, made.rtp_ports))
        return answer

    def test_a_file_that_is_cut_off_says_so(self):
        self.assertIn("cut off in the middle of a frame", self.check("cut_off")["capture"]["damage"])

    def test_a_damaged_file_says_where(self):
        made = tap_captures.CAPTURES["damaged"]()
        before = len(tap_captures.pcap(tap_captures.frames(tap_captures.h264(
            0x1000beef, 4, start_ns=tap_captures.EPOCH_NS)[:made.streams[0]["packets"]])))
        self.assertIn(f"octet {before},", self.check("damaged")["capture"]["damage"])

    def test_what_is_no_capture_is_refused(self):
        file = self.folder / "notes.txt"
        file.write_text("Monday: hung four heads.\n" * 100)
        done = run(BIN / "tallywire", "tap", file, "--json", check=False)
        self.assertEqual(done.returncode, 2, done.stdout + done.stderr)


def add_made():
    for name in sorted(set(tap_captures.CAPTURES) - {"cut_off", "damaged"}):
        def test(self, name=name):
            self.check(name)
        setattr(Made, f"test_{name}", test)


class Recorded(Comparison):
    """server -- [drop: bridge, nftables where asked] -- client: tallywire stream receives, tcpdump records beside it."""

    @classmethod
    def setUpClass(cls):
        cls.folder = scratch(cls)
        known = make_file(cls.folder, "known", "h264", "1280x720", 25, 25, 20, ("-preset", "ultrafast", "-b:v", "4M"))
        cls.ns = Namespaces("server", "drop", "client").__enter__()
        cls.addClassCleanup(cls.ns.__exit__)
        cls.ns.cable("server", "drop", "eth0", "in0", address_a=f"{SERVER}/24")
        cls.ns.cable("drop", "client", "out0", "eth0", address_b=f"{CLIENT}/24")
        for where in ("server", "client"):
            run("ip", "-n", cls.ns.name(where), "route", "add", "224.0.0.0/4", "dev", "eth0")
        # Without snooping: no querier stands here, and a group must pass as on a plain cable.
        cls.ns.run("drop", "ip", "link", "add", "br0", "type", "bridge", "mcast_snooping", "0")
        for port in ("in0", "out0"):
            cls.ns.run("drop", "ip", "link", "set", "dev", port, "master", "br0")
        cls.ns.run("drop", "ip", "link", "set", "dev", "br0", "up")
        cls.peer = GstPeer(cls.ns, cls.folder, BIN)
        cls.peer.start({"/door": {"file": str(known)}, "/to-all": {"file": str(known), "multicast": [f"{GROUPS}9", 5000]}})

    def record(self, name, *streams):
        """`streams`: (path, transport). Answers the capture and what tallywire stream said of each."""
        file, log = self.start_tcpdump(name)
        with concurrent.futures.ThreadPoolExecutor(len(streams)) as pool:
            futures = [pool.submit(self.peer.stream, f"rtsp://{SERVER}:{PORT}{path}", "--seconds", "6", "--transport", transport,
                                   codes=(0, 3)) for path, transport in streams]
            answers = [future.result() for future in futures]
        self.stop_tcpdump(log)
        return file, answers

    def start_tcpdump(self, name):
        file, log = self.folder / f"{name}.pcap", self.folder / f"{name}.log"
        with open(log, "w") as out:
            self.tcpdump = self.ns.start("client", "tcpdump", "-U", "--immediate-mode", "-Z", "root", "-B", "16384", "-i", "eth0",
                                         "-w", file, stderr=out)
        wait_until(lambda: "listening" in log.read_text(), 20, "tcpdump")
        return file, log

    def stop_tcpdump(self, log):
        self.ns.end(self.tcpdump, signal.SIGINT)
        self.assertIn("\n0 packets dropped by kernel", log.read_text())

    def check(self, file, answers):
        answer = tap(file)
        ports = {int(a["destination"].rpartition(":")[2]) for a in answers if a["transport"] != "tcp"}
        self.compare_with_tshark(answer, tshark_rtp.streams(file, ports, PORT))
        for received in answers:
            stream = next(s for s in answer["streams"] if s["ssrc"] == received["ssrc"])
            with self.subTest(against="the receiver", transport=received["transport"]):
                # The receiver's own count ends at TEARDOWN; the wire's goes on until the sender heeds it.
                self.assertGreaterEqual(stream["packets"], received["packets"])
                self.assertEqual((stream["transport"], stream["codec"], stream["width"], stream["height"]),
                                 (received["transport"], received["codec"], received["width"], received["height"]))
        return answer

    def test_h264_by_udp(self):
        self.check(*self.record("udp", ("/door", "udp")))

    def test_h264_by_tcp(self):
        self.check(*self.record("tcp", ("/door", "tcp")))

    def test_a_capture_that_begins_in_the_middle(self):
        """Nothing announced the session: what tshark finds in the whole capture from there on, but perhaps for one packet
        that began before."""
        file, answers = self.record("late", ("/door", "tcp"))
        frames = tshark_rtp.packet_frames(file, PORT)
        late = self.folder / "middle.pcap"
        run("editcap", "-F", "pcap", "-r", file, late, f"{frames[len(frames) // 2]}-9999999")
        answer = tap(late)
        after = [frame for frame in frames if frame >= frames[len(frames) // 2]]
        self.assertEqual([s["ssrc"] for s in answer["streams"]], [answers[0]["ssrc"]])
        self.assertIn(len(after) - answer["streams"][0]["packets"], (0, 1))
        self.assertEqual(answer["streams"][0]["lost_packets"], 0)

    def test_h264_by_multicast(self):
        self.check(*self.record("multicast", ("/to-all", "multicast")))

    def test_all_ways_at_once(self):
        self.check(*self.record("all", ("/door", "udp"), ("/door", "tcp"), ("/to-all", "multicast"), ("/door", "tcp")))

    def test_rtp_that_nothing_announces(self):
        """FFmpeg sends H.264 and PCMU to ports that no session agreed on, RTCP beside them."""
        known = next(self.folder.glob("*.h264.mkv"))
        # Something must hold the ports, or ICMP ends FFmpeg.
        holder = ("import socket, time\nheld = [socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in range(4)]\n"
                  "for one, port in zip(held, (30000, 30001, 30010, 30011)): one.bind(('', port))\ntime.sleep(60)")
        holding = self.ns.start("client", "/usr/bin/python3", "-c", holder)
        wait_until(lambda: ":30011" in self.ns.run("client", "ss", "-ulnH").stdout, 10, "the ports")
        file, log = self.start_tcpdump("ffmpeg")
        common = ("timeout", "30", "ffmpeg", "-nostdin", "-hide_banner", "-loglevel", "error", "-re")
        senders = [self.ns.start("server", *common, "-i", known, "-t", "6", "-c", "copy", "-f", "rtp", f"rtp://{CLIENT}:30000"),
                   self.ns.start("server", *common, "-f", "lavfi", "-i", "sine=frequency=440:sample_rate=8000", "-t", "6", "-c:a",
                                 "pcm_mulaw", "-f", "rtp", f"rtp://{CLIENT}:30010")]
        for sender in senders:
            self.assertEqual(sender.wait(40), 0)
        self.stop_tcpdump(log)
        self.ns.end(holding)
        answer = tap(file)
        found = tshark_rtp.streams(file, (30000, 30010))
        self.assertEqual(sorted(min(theirs.kinds) for theirs in found.values()), [0, 96])
        self.compare_with_tshark(answer, found)

    def test_h264_by_udp_with_loss_on_the_path(self):
        self.ns.run("drop", "nft", "-f", "-", input=RULES)
        file, answers = self.record("loss", ("/door", "udp"))
        rules = self.ns.run("drop", "nft", "list", "ruleset").stdout
        self.ns.run("drop", "nft", "flush", "ruleset")
        answer = self.check(file, answers)
        dropped = int(re.search(r"counter packets (\d+)", rules).group(1))
        # All of it but what was lost after the last packet that arrived.
        self.assertIn(dropped - sum(s["lost_packets"] for s in answer["streams"]), (0, 1))


add_made()
if __name__ == "__main__":
    unittest.main(verbosity=2)
