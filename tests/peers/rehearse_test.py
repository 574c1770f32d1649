"""tallywire rehearse against tallywired as the far end, over a cable that the kernel shapes.

The truths. tc-tbf(8) counts what it drops; it is a queue of BUFFER octets that drains at RATE, whole Ethernet frames without FCS,
preamble and gap: the same queue is run through here, packet by packet, for the plan that the answer tells. tcpdump catches what
arrives and tshark takes it apart. Headroom is held to an uplink that carries RATE and a full buffer in its window of 100 ms; its
figure for one window in as many as a GOP begins is what a rehearsal of one GOP is expected to meet."""

import collections
import json
import os
import pathlib
import signal
import subprocess
import sys
import tempfile
import time
import unittest

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "support"))
from namespaces import Namespaces, wait_until  # noqa: E402

BIN = pathlib.Path(sys.argv.pop())
FAR, NEAR, PORT = "192.0.2.10", "192.0.2.20", 7861
RATE, BURST, BUFFER = 40e6, 2000, 100_000
LARGER_BUFFER = 400_000  # for key frames together: several milliseconds of the sender itself, which cannot send all of them in one instant
STREAMS, MBPS, FPS, GOP, KEY_RATIO, LINK = 60, 0.6, 25, 20, 8, 100e6
GOP_S = GOP / FPS
# RTP 12 (RFC 3550), UDP 8 (RFC 768), IPv4 20 (RFC 791), Ethernet 14; on the wire FCS 4, preamble 8, gap 12 beside (RFC 5180 App. A).
FRAME_HEADERS, WIRE_HEADERS = 54, 78
PACKET = 1400
STAMP_UDP_OCTETS = 120  # authenticated STAMP: 112 octets (RFC 8762 section 4.2.2) and the UDP header
LATE_MS = 3  # a sender that was later than this has shaped the load itself: the machine is too busy for the test


def arrivals(phases_s, scale, sets_octets):
    """Of one GOP of every stream: (time, Ethernet frame octets), sorted."""
    gop = MBPS * 1e6 / 8 * GOP_S
    key = gop * KEY_RATIO / (KEY_RATIO + GOP - 1)
    out = []
    for phase in phases_s:
        for n in range(GOP):
            left, at = round(scale * (key if n == 0 else key / KEY_RATIO)), (phase + n / FPS) % GOP_S
            first = sets_octets if n == 0 else 0
            while left > 0:
                octets = first or min(PACKET, left)
                first, left = 0, left - octets
                out.append((at, octets + FRAME_HEADERS))
                at += (octets + WIRE_HEADERS) * 8 / LINK
    return sorted(out)


def drops(packets, buffer):
    """What a queue that drains at RATE, and may be BURST octets ahead, drops in the second of two GOPs."""
    queue = last = dropped = 0
    for turn in range(2):
        for at, octets in packets:
            now = at + turn * GOP_S
            queue, last = max(-BURST, queue - (now - last) * RATE / 8), now
            if queue + octets > buffer:
                dropped += turn
            else:
                queue += octets
    return dropped


def where_loss_begins(phases_s, sets_octets, buffer):
    low, high = 0.02, 2.0
    for _ in range(12):
        middle = (low + high) / 2
        low, high = (low, middle) if drops(arrivals(phases_s, middle, sets_octets), buffer) else (middle, high)
    return high


class Rehearse(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        holder = tempfile.TemporaryDirectory(prefix="tallywire-rehearse-")
        cls.addClassCleanup(holder.cleanup)
        cls.folder = pathlib.Path(holder.name)
        cls.secrets = cls.folder / "secrets.json"
        cls.secrets.touch(mode=0o600)
        cls.secrets.write_text(json.dumps({"right": {"key": "0123456789abcdef" * 2}, "wrong": {"key": "fedcba9876543210" * 2},
                                           "switch": {"community": "depot"}}))
        cls.ns = Namespaces("far", "near")
        cls.ns.__enter__()
        cls.addClassCleanup(cls.ns.__exit__)
        cls.ns.cable("far", "near", address_a=f"{FAR}/24", address_b=f"{NEAR}/24")
        cls.shape(BUFFER)
        cls.count_udp("near", "output")
        cls.count_udp("far", "input")
        cls.start_far_end(PORT)

    @classmethod
    def shape(cls, buffer):
        cls.ns.run("near", "tc", "qdisc", "replace", "dev", "eth0", "root", "handle", "1:",
                   "tbf", "rate", f"{RATE:.0f}", "burst", f"{BURST}", "limit", f"{buffer}")

    @classmethod
    def count_udp(cls, namespace, hook):
        """Before the shaper of the one, after the cable of the other."""
        cls.ns.run(namespace, "nft", "-f", "-", input=f"""table inet count {{
            counter datagrams {{}}
            chain passing {{
                type filter hook {hook} priority 0
                ip saddr {NEAR} ip daddr {FAR} meta l4proto udp counter name datagrams
            }}
        }}
        """)

    @classmethod
    def start_far_end(cls, port):
        settings = cls.folder / f"settings-{port}.json"
        settings.write_text(json.dumps({"far_end": {"address": FAR, "tcp_port": port, "key_secret": "right", "volumes": {}}}))
        process = cls.ns.start("far", BIN / "tallywired", "--settings", settings, "--secrets", cls.secrets)
        wait_until(lambda: f"{FAR}:{port}" in cls.ns.run("far", "ss", "-Hltn").stdout, 20, "the far end")
        return process

    def command(self, *options, key="right", port=PORT):
        return [BIN / "tallywire", "rehearse", FAR, "--port", port, "--key", key, "--secrets", self.secrets, "--alone", "--json", *options]

    def rehearse(self, *options, codes=(0, 1), **more):
        done = self.ns.run("near", *self.command(*options, **more), check=False, timeout=120)
        self.assertIn(done.returncode, codes, done.stdout[-2000:] + done.stderr)
        return json.loads(done.stdout), done.returncode

    def start(self, *options, **more):
        return self.ns.start("near", *self.command(*options, **more), stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)

    def dropped_by_shaper(self):
        """Of every protocol: what asks and answers of the far end's TCP connection lose in the full buffer is among it."""
        return json.loads(self.ns.run("near", "tc", "-s", "-j", "qdisc", "show", "dev", "eth0").stdout)[0]["drops"]

    def udp_lost_on_the_way(self):
        """What the kernel counted out of one end less what it counted into the other."""
        def counted(namespace):
            listed = json.loads(self.ns.run(namespace, "nft", "-j", "list", "counter", "inet", "count", "datagrams").stdout)["nftables"]
            return next(entry["counter"]["packets"] for entry in listed if "counter" in entry)
        return counted("near") - counted("far")

    def climb(self, check, *options):
        """Once more where a check fails and this machine says that it was too busy to send in time: then it was not the plan that was sent."""
        for turn in range(3):
            shaper_before, before = self.dropped_by_shaper(), self.udp_lost_on_the_way()
            answer, code = self.rehearse("--streams", STREAMS, "--mbps", MBPS, "--fps", FPS, "--gop", GOP, "--key-ratio", KEY_RATIO, *options)
            # Whatever was sent: what was lost by our count is what the kernel lost, and the shaper dropped all of it.
            lost = sum(s["lost_packets"] for s in answer["steps"])
            self.assertEqual(lost, self.udp_lost_on_the_way() - before)
            self.assertGreaterEqual(self.dropped_by_shaper() - shaper_before, lost)
            try:
                check(answer)
                return answer, code
            except AssertionError:
                if turn == 2 or all(s["pacing_late_most_ms"] < LATE_MS for s in answer["steps"]):
                    raise

    def check_against_the_queue(self, answer, sets_octets, buffer):
        truth = where_loss_begins([s["phase_ms"] / 1000 for s in answer["streams"]], sets_octets, buffer)
        found = answer["loss_begins_scale"]
        self.assertAlmostEqual(found / truth, 1, delta=0.05, msg=f"found {found}, by the queue {truth}")
        self.assertLessEqual((found - answer["carried_scale"]) / found, 0.05 + 1e-9)
        return truth

    def caught_steps(self, file):
        """What tshark reads of the capture, by step: a rest of more than 0.3 s lies between two."""
        fields = ["frame.time_epoch", "rtp.ssrc", "rtp.seq", "ip.len", "udp.dstport"]
        port = self.udp_port_of(file)
        text = subprocess.run(["tshark", "-n", "-r", file, "-d", f"udp.port=={port},rtp", "-T", "fields", "-E", "separator=,",
                               *[word for f in fields for word in ("-e", f)]], capture_output=True, text=True, check=True, timeout=60).stdout
        steps, last = [], -1.0
        for line in text.splitlines():
            at, ssrc, seq, length, _ = line.split(",")
            if float(at) - last > 0.3:
                steps.append(collections.defaultdict(set))
            last = float(at)
            steps[-1][int(ssrc, 16)].add((int(seq), int(length)))
        return steps

    @staticmethod
    def udp_port_of(file):
        line = subprocess.run(["tshark", "-n", "-r", file, "-c", "1", "-T", "fields", "-e", "udp.dstport"], capture_output=True, text=True,
                              check=True, timeout=30).stdout
        return int(line)

    def test_where_loss_begins_is_where_the_queue_and_headroom_say_and_the_capture_agrees(self):
        file = self.folder / "caught.pcap"
        dump = self.ns.start("far", "tcpdump", "-i", "eth0", "-s", "96", "-B", "65536", "-w", file, f"udp and src host {NEAR}",
                             stderr=subprocess.PIPE, text=True)
        dump.stderr.readline()
        answer, code = self.climb(lambda a: self.check_against_the_queue(a, 30, BUFFER), "--seed", "1")
        time.sleep(0.2)
        self.ns.end(dump, signal.SIGINT)
        said = dump.stderr.read()
        dump.stderr.close()
        self.assertRegex(said, r"(?m)^0 packets dropped by kernel", said)
        self.assertGreater(sum(s["lost_packets"] for s in answer["steps"]), 0)
        steps = self.caught_steps(file)[-len(answer["steps"]):]
        self.assertEqual(len(steps), len(answer["steps"]))
        for step, caught in zip(answer["steps"], steps):
            self.assertEqual(step["far_end_dropped_packets"], 0)
            self.assertEqual(sum(map(len, caught.values())), step["sent_packets"] - step["lost_packets"])
        told = next(i for i, s in enumerate(answer["steps"]) if s["scale"] == answer["loss_begins_scale"])
        first = min(steps[told])
        for n, stream in enumerate(answer["streams"]):
            self.assertEqual(len(steps[told][first + n]), stream["sent_packets"] - stream["lost_packets"], stream["stream"])
            self.assertEqual(stream["metered"]["codec"], "H264")
            self.assertAlmostEqual(stream["metered"]["frame_rate_hz"], FPS, delta=0.1)
        # A key frame begins with its parameter sets: the shortest packet of all.
        sets_octets = min(length for packets in steps[0].values() for _, length in packets) - 40
        self.assertLess(sets_octets, 40)  # the queue was reckoned with 30
        truth = self.check_against_the_queue(answer, sets_octets, BUFFER)
        busiest = answer["busiest"]
        carried_in_window = RATE * (PACKET + WIRE_HEADERS) / (PACKET + FRAME_HEADERS) + BUFFER * 8 / 0.1
        print(f"loss begins at {answer['loss_begins_scale']:.3f}, by the queue {truth:.3f}; busiest 100 ms there: at these phases "
              f"{busiest['offered_busiest_bps'] / 1e6:.2f}, by headroom once a GOP {busiest['headroom_once_a_gop_bps'] / 1e6:.2f}, at its risk "
              f"{busiest['headroom_busiest_bps'] / 1e6:.2f}, carried with a full buffer {carried_in_window / 1e6:.2f} Mbit/s", file=sys.stderr)
        self.assertAlmostEqual(busiest["headroom_once_a_gop_bps"] / carried_in_window, 1, delta=0.08)
        self.assertGreater(busiest["headroom_busiest_bps"], busiest["offered_busiest_bps"])
        self.assertEqual(code, 1 if answer["carried_scale"] < 1 else 0)

    def test_key_frames_together_lose_at_a_lower_load_and_they_are_what_is_lost(self):
        self.shape(LARGER_BUFFER)
        self.addCleanup(self.shape, BUFFER)
        answer, code = self.climb(lambda a: self.check_against_the_queue(a, 30, LARGER_BUFFER), "--phases", "together", "--step-gops", "1")
        # Fluid, as headroom's burst model has it: they come at the speed of all their links, and what does not drain meanwhile waits. At
        # random phases a buffer of a quarter of this loses at twice the load only (the other test).
        key_frames = STREAMS * MBPS * 1e6 / 8 * GOP_S * KEY_RATIO / (KEY_RATIO + GOP - 1)
        waiting = key_frames * (1 - RATE / (STREAMS * LINK)) * (PACKET + FRAME_HEADERS) / PACKET
        self.assertAlmostEqual(answer["loss_begins_scale"] * waiting / LARGER_BUFFER, 1, delta=0.08)
        self.assertLess(answer["loss_begins_scale"], 0.5)
        self.assertEqual(code, 1)
        step = next(s for s in answer["steps"] if s["scale"] == answer["loss_begins_scale"])
        self.assertEqual(step["key_frame_lost_ratio"], 1)
        self.assertLess(step["key_frame_packets_ratio"], 0.5)

    def test_harm_to_live_work_ends_it_at_once(self):
        # Beside the streams goes STAMP; from a moment on only its packets are dropped, told by their length.
        process = self.start("--streams", 3, "--mbps", 1, "--gop", 25, "--step-gops", 20, "--live")
        time.sleep(4)
        self.ns.run("far", "nft", "add table ip harm; add chain ip harm in { type filter hook input priority 0; }; "
                                  f"add rule ip harm in udp length {STAMP_UDP_OCTETS} drop")
        self.addCleanup(self.ns.run, "far", "nft", "delete table ip harm")
        begun = time.monotonic()
        text, _ = process.communicate(timeout=20)
        took = time.monotonic() - begun
        answer = json.loads(text)
        self.assertIn("test packets beside the streams were lost", answer["harm"]["what"])
        self.assertEqual(answer["harm"]["scale"], 0.1)
        self.assertEqual(len(answer["steps"]), 1)
        self.assertFalse(answer["steps"][0]["whole"])
        self.assertEqual(answer["verdicts"][0]["verdict"], "missed")
        self.assertEqual(process.returncode, 1)
        self.assertLess(took, 6)  # a packet counts as lost after 1 s; the step would have gone on for 18 s

    def test_an_uplink_of_the_design_gets_its_verdict_and_its_switch_is_watched(self):
        # The far end's machine stands for the switch: snmpd knows its port.
        (self.folder / "snmpd.conf").write_text(f"agentAddress udp:{FAR}:1161\nrocommunity depot {NEAR}\nmaster agentx\nagentXSocket {self.folder}/agentx\n")
        self.ns.start("far", "snmpd", "-f", "-C", "-c", self.folder / "snmpd.conf", "-Lf", "/dev/null", "-p", self.folder / "snmpd.pid")
        wait_until(lambda: f"{FAR}:1161" in self.ns.run("far", "ss", "-Hlun").stdout, 10, "snmpd")
        stream = {"id": "main", "use": "record", "codec": "H264", "width_px": 1280, "height_px": 720, "frame_rate_hz": 25, "bit_rate_kbps": 1000,
                  "rate_mode": "capped", "gop_frames": 10, "transport": "udp"}
        camera = {"id": "gate", "place": "", "switch": "yard", "port": "p1", "address": "192.0.2.31", "hardware_address": "02:00:5e:10:00:31",
                  "link_speed_mbps": 100, "power_source": "switch_port", "heads": [{"id": str(n), "view": "", "streams": [stream]} for n in (1, 2)]}
        up = {"id": "up", "port": "eth0", "to": "core", "speed_mbps": 100}
        design = {"format": 1, "site": {"name": "Tram depot", "place": "", "customer": ""}, "entry_switch": "yard",
                  "switches": [{"id": "yard", "place": "", "address": FAR, "snmp": {"version": "2c", "secret": "switch", "udp_port": 1161},
                                "ports": ["p1", "eth0"], "uplinks": [{**up, "to": "hall"}]},
                               {"id": "hall", "place": "", "address": "192.0.2.3", "ports": ["up"], "uplinks": [{**up, "port": "up"}]}],
                  "cameras": [camera], "recorders": [], "far_end": {"address": FAR, "tcp_port": PORT, "secret": "right", "switch": "hall"}}
        (self.folder / "site.json").write_text(json.dumps(design))
        answer, code = self.rehearse("--design", self.folder / "site.json")
        self.assertEqual(answer["unread"], {})
        self.assertTrue(answer["live"])
        self.assertIsNone(answer["harm"])
        self.assertEqual([v["subject"] for v in answer["verdicts"]], ["path/far-end", "switch/yard/uplink/up"])
        self.assertEqual([v["verdict"] for v in answer["verdicts"]], ["met", "met"])
        self.assertEqual([s["stream"] for s in answer["streams"]], ["gate/1/main", "gate/2/main"])
        self.assertEqual(code, 0)

    def test_a_stop_keeps_what_was_read(self):
        process = self.start("--streams", 3, "--mbps", 1, "--gop", 13, "--step-gops", 2)
        time.sleep(2.6)
        begun = time.monotonic()
        os.killpg(process.pid, signal.SIGINT)
        text, _ = process.communicate(timeout=20)
        self.assertLess(time.monotonic() - begun, 3)
        answer = json.loads(text)
        self.assertTrue(answer["stopped"])
        self.assertGreaterEqual(len(answer["steps"]), 1)
        self.assertEqual(answer["verdicts"][0]["verdict"], "unread")
        self.assertEqual(process.returncode, 3)

    def test_a_far_end_that_dies_is_told_and_sent_nothing_more(self):
        far_end = self.start_far_end(PORT + 1)
        process = self.start("--streams", 3, "--mbps", 1, "--gop", 13, "--step-gops", 2, port=PORT + 1)
        time.sleep(2.6)
        os.killpg(far_end.pid, signal.SIGKILL)
        begun = time.monotonic()
        text, _ = process.communicate(timeout=20)
        self.assertLess(time.monotonic() - begun, 8)
        answer = json.loads(text)
        self.assertGreaterEqual(len(answer["steps"]), 1)
        self.assertIn("broke off", answer["unread"]["loss_begins_scale"])
        self.assertEqual(process.returncode, 3)

    def test_a_wrong_key_and_a_wrong_request_send_nothing(self):
        sent = lambda: json.loads(self.ns.run("near", "ip", "-s", "-j", "link", "show", "dev", "eth0").stdout)[0]["stats64"]["tx"]["bytes"]  # noqa: E731
        before = sent()
        answer, _ = self.rehearse("--streams", 3, key="wrong", codes=(3,))
        self.assertEqual(answer["error"]["kind"], "refused")
        for options in ((), ("--streams", 0), ("--streams", 3, "--mbps", -1), ("--streams", 3, "--phases", "odd"), ("--streams", 3, "--gop", 0),
                        ("--streams", 3, "--switch", "yard"), ("--streams", 3, "--most-scale", 99)):
            answer, _ = self.rehearse(*options, codes=(2,))
            self.assertEqual(answer["error"]["kind"], "bad_request", options)
            self.assertNotEqual(answer["error"]["what"], "")
        self.assertLess(sent() - before, 6000)


if __name__ == "__main__":
    unittest.main(verbosity=2)
