"""tallywire path against tallywired as the far end, over a cable that the kernel shapes; iperf3 measures the same cable.

The truth: tc-tbf(8) counts the octets of whole Ethernet frames without FCS, preamble and gap. A full frame holds 1448
octets of TCP payload (RFC 7323: 12 octets of time stamp option) in 1514, so 100 Mbit/s of tbf carries 95.64 Mbit/s
(computed; the same arithmetic as RFC 6349 section 4.1.1)."""

import json
import os
import pathlib
import signal
import sys
import tempfile
import threading
import time
import unittest

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "support"))
from namespaces import Namespaces, wait_until  # noqa: E402

BIN = pathlib.Path(sys.argv.pop())
FAR, NEAR, NOBODY, PORT = "192.0.2.10", "192.0.2.20", "192.0.2.77", 7861
TO_BPS, FROM_BPS = 100e6, 40e6
PAYLOAD_OF_FRAME = 1448 / 1514


class Path(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory(prefix="tallywire-path-")
        folder = pathlib.Path(cls.folder.name)
        cls.secrets = folder / "secrets.json"
        cls.secrets.touch(mode=0o600)
        cls.secrets.write_text(json.dumps({"right": {"key": "0123456789abcdef" * 2}, "wrong": {"key": "fedcba9876543210" * 2}}))
        settings = folder / "settings.json"
        settings.write_text(json.dumps({"far_end": {"address": FAR, "tcp_port": PORT, "key_secret": "right", "volumes": {}}}))
        cls.ns = Namespaces("far", "near").__enter__()
        try:
            cls.ns.cable("far", "near", address_a=f"{FAR}/24", address_b=f"{NEAR}/24")
            for where, bps in (("near", TO_BPS), ("far", FROM_BPS)):
                # The same sender on every machine, whatever its default; reno is the one that each namespace may choose.
                cls.ns.run(where, "sysctl", "-qw", "net.ipv4.tcp_congestion_control=reno")
                cls.ns.run(where, "tc", "qdisc", "add", "dev", "eth0", "root", "tbf", "rate", f"{bps:.0f}", "burst", "16kb", "latency", "50ms")
            cls.far_end = cls.ns.start("far", BIN / "tallywired", "--settings", settings, "--secrets", cls.secrets)
            cls.ns.start("far", "iperf3", "-s", "-B", FAR)
            cls.ns.start("far", "/usr/bin/python3", "-c",
                         f"import socket,time; s=socket.create_server(('{FAR}', 9554)); time.sleep(120)")
            listening = lambda: cls.ns.run("far", "ss", "-Hltn").stdout  # noqa: E731
            for port in (PORT, 5201, 9554):
                wait_until(lambda: f"{FAR}:{port}" in listening(), 20, f"a listener on port {port}")
        except BaseException:
            cls.tearDownClass()
            raise

    @classmethod
    def tearDownClass(cls):
        cls.ns.__exit__()
        cls.folder.cleanup()

    def path(self, host, *options, key="right", code=0):
        done = self.ns.run("near", BIN / "tallywire", "path", host, "--key", key, "--secrets", self.secrets, "--json", "--alone",
                           *options, check=False, timeout=40)
        self.assertEqual(done.returncode, code, done.stdout + done.stderr)
        return json.loads(done.stdout)

    def sent_octets(self):
        link = json.loads(self.ns.run("near", "ip", "-s", "-j", "link", "show", "dev", "eth0").stdout)[0]
        return link["stats64"]["tx"]["bytes"]

    def iperf3(self, *options):
        done = json.loads(self.ns.run("near", "iperf3", "-c", FAR, "-t", "2", "-O", "1", "-J", *options, timeout=30).stdout)
        return done["end"]["sum_received"]["bits_per_second"]

    def test_each_way_is_the_shaped_rate_and_what_iperf3_measures(self):
        answer = self.path(FAR, "--seconds", "3")
        for way, bps, options in (("to", TO_BPS, ()), ("from", FROM_BPS, ("-R",))):
            report = answer[way]
            self.assertAlmostEqual(report["goodput_bps"] / (bps * PAYLOAD_OF_FRAME), 1, delta=0.03, msg=way)
            self.assertAlmostEqual(report["goodput_bps"] / self.iperf3(*options), 1, delta=0.03, msg=way)
            self.assertAlmostEqual(report["received_bytes"] * 8 / report["duration_s"] / report["goodput_bps"], 1, delta=0.001)
            self.assertEqual(report["segment_bytes"], 1448)

    def test_no_more_than_the_ceiling_is_sent(self):
        before = self.sent_octets()
        answer = self.path(FAR, "--seconds", "2", "--ceiling-mbps", "20")
        sent = self.sent_octets() - before
        for way in ("to", "from"):
            self.assertAlmostEqual(answer[way]["goodput_bps"] / 20e6, 1, delta=0.03, msg=way)
        # Two seconds of 20 Mbit/s, headers with them, and the acknowledgements of the other way.
        self.assertLess(sent, 20e6 / 8 * 2 * 1.15)

    def test_a_wrong_key_is_refused_and_nothing_is_sent(self):
        before = self.sent_octets()
        answer = self.path(FAR, "--seconds", "2", key="wrong", code=3)
        self.assertEqual(answer["error"]["kind"], "refused")
        self.assertLess(self.sent_octets() - before, 4000)  # the handshake's frames; 2 s at the ceiling were 25 000 000
        self.assertNotIn("fedcba9876543210", json.dumps(answer))

    def test_no_far_end_is_unreachable(self):
        self.assertEqual(self.path(FAR, "--port", "9", code=3)["error"]["kind"], "unreachable")

    def test_no_machine_there_ends_within_the_limit(self):
        begun = time.monotonic()
        # Linux gives up on the neighbour after three seconds and three questions, before our own five.
        self.assertIn(self.path(NOBODY, code=3)["error"]["kind"], ("unreachable", "timed_out"))
        self.assertLess(time.monotonic() - begun, 8)

    def test_a_far_end_that_accepts_and_says_nothing_is_timed_out_within_its_limit(self):
        begun = time.monotonic()
        answer = self.path(FAR, "--port", "9554", code=3)
        self.assertEqual(answer["error"]["kind"], "timed_out")
        self.assertTrue(4.5 < time.monotonic() - begun < 8)

    def test_a_far_end_that_stops_in_the_middle_is_timed_out_within_its_limit(self):
        begun = time.monotonic()
        stop = threading.Timer(1, os.killpg, (self.far_end.pid, signal.SIGSTOP))
        stop.start()
        try:
            answer = self.path(FAR, "--seconds", "2", code=3)
            took_s = time.monotonic() - begun
        finally:
            stop.join()
            os.killpg(self.far_end.pid, signal.SIGCONT)
            # What the kernel still held for it is on the wire now, and no longer once another test counts octets.
            wait_until(lambda: not self.ns.run("near", "ss", "-Htn", "state", "fin-wait-1").stdout.strip(), 10, "the rest is sent")
        self.assertEqual(answer["error"]["kind"], "timed_out")
        # Its duration, then 10 s for a write that is held up or 15 s for the far end's count; and the command itself.
        self.assertLess(took_s, 2 + 15 + 3)

    def test_something_else_on_the_port_is_no_far_end(self):
        talker = self.ns.start("far", "/usr/bin/python3", "-c",
                               f"import socket,time; s=socket.create_server(('{FAR}', 9555)); c,_=s.accept(); "
                               "c.sendall(b'SSH-2.0-tram\\r\\n' * 9); time.sleep(20)")
        wait_until(lambda: f"{FAR}:9555" in self.ns.run("far", "ss", "-Hltn").stdout, 10, "a talker")
        answer = self.path(FAR, "--port", "9555", code=3)
        self.assertEqual(answer["error"]["kind"], "malformed")
        self.ns.end(talker)

    def test_a_key_that_is_not_there_and_a_host_that_is_no_address_are_wrong_requests(self):
        self.assertEqual(self.path(FAR, key="nobody", code=2)["error"]["kind"], "bad_request")
        self.assertEqual(self.path("depot.example", code=2)["error"]["kind"], "bad_request")


if __name__ == "__main__":
    unittest.main(verbosity=2)
