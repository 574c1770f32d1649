"""tallywire path against tallywired as the far end, over cables that the kernel shapes; iperf3 measures one of them too.

The truth: tc-tbf(8) counts the octets of whole Ethernet frames without FCS, preamble and gap. A full frame holds 1448
octets of TCP payload (RFC 7323: 12 octets of time stamp option) or 1472 of UDP payload (RFC 768, 791) in 1514, and costs
the wire 1538 (IEEE 802.3: FCS 4, preamble 8, gap 12), so 100 Mbit/s of tbf carries 95.64 Mbit/s of TCP payload (computed;
the same arithmetic as RFC 6349 section 4.1.1)."""

import json
import os
import pathlib
import signal
import subprocess
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
FRAME, WIRE, TCP_PAYLOAD, UDP_PAYLOAD = 1514, 1538, 1448, 1472


def write_keys(folder):
    folder = pathlib.Path(folder)
    secrets = folder / "secrets.json"
    secrets.touch(mode=0o600)
    secrets.write_text(json.dumps({"right": {"key": "0123456789abcdef" * 2}, "wrong": {"key": "fedcba9876543210" * 2}}))
    return secrets


def start_far_end(ns, where, folder, secrets, address=FAR):
    settings = pathlib.Path(folder) / f"settings-{where}.json"
    settings.write_text(json.dumps({"far_end": {"address": address, "tcp_port": PORT, "key_secret": "right", "volumes": {}}}))
    # The same sender on every machine, whatever its default; reno is the one that each namespace may choose.
    ns.run(where, "sysctl", "-qw", "net.ipv4.tcp_congestion_control=reno")
    far_end = ns.start(where, BIN / "tallywired", "--settings", settings, "--secrets", secrets)
    wait_until(lambda: f"{address}:{PORT}" in ns.run(where, "ss", "-Hltn").stdout, 20, "the far end")
    return far_end


class Asking(unittest.TestCase):
    def path(self, host, *options, key="right", code=0, where="near"):
        done = self.ns.run(where, BIN / "tallywire", "path", host, "--key", key, "--secrets", self.secrets, "--json", "--alone",
                           *options, check=False, timeout=60)
        self.assertEqual(done.returncode, code, done.stdout + done.stderr)
        return json.loads(done.stdout)

    def again_on_a_busy_machine(self, tries, attempt):
        """What other work on the machine costs is no fault of the measurement; a wrong one misses every time."""
        for left in range(tries - 1, -1, -1):
            try:
                return attempt()
            except AssertionError:
                if left == 0:
                    raise


class Cable(Asking):
    """A cable of its own for each test, shaped as it likes."""

    def setUp(self):
        self.folder = tempfile.TemporaryDirectory(prefix="tallywire-path-")
        self.addCleanup(self.folder.cleanup)
        self.secrets = write_keys(self.folder.name)
        self.ns = Namespaces("far", "near").__enter__()
        self.addCleanup(self.ns.__exit__)
        self.ns.cable("far", "near", address_a=f"{FAR}/24", address_b=f"{NEAR}/24")
        self.ns.run("near", "sysctl", "-qw", "net.ipv4.tcp_congestion_control=reno")

    def shape(self, where, bps, burst="16kb"):
        self.ns.run(where, "tc", "qdisc", "replace", "dev", "eth0", "root", "tbf", "rate", f"{bps:.0f}", "burst", burst, "latency", "50ms")

    def check_shaped(self, report, bps):
        self.assertAlmostEqual(report["goodput_bps"] / (bps * TCP_PAYLOAD / FRAME), 1, delta=0.02)
        self.assertAlmostEqual(report["received_bytes"] * 8 / report["duration_s"] / report["goodput_bps"], 1, delta=0.001)
        udp = report["udp"]
        self.assertAlmostEqual(udp["capacity_payload_bps"] / (bps * UDP_PAYLOAD / FRAME), 1, delta=0.02, msg=udp)
        self.assertAlmostEqual(udp["capacity_bps"] / (bps * WIRE / FRAME), 1, delta=0.02)
        self.assertEqual((udp["limited_by"], udp["at_least"], udp["packet_bytes"]), ("path", False, 1500))
        self.assertGreater(udp["rate_above_bps"], udp["capacity_bps"])
        # What the kernels know of the path.
        self.assertEqual((report["path_mtu_bytes"], report["segment_bytes"]), (1500, TCP_PAYLOAD))
        self.assertAlmostEqual(report["achieved_ratio"], 1, delta=0.04)
        self.assertAlmostEqual(report["transfer_time_ratio"] * report["achieved_ratio"], 1, delta=0.001)
        self.assertEqual(report["limited_by"], "path", report["limited_by_reason"])
        # A full queue of up to 50 ms before a cable of some microseconds.
        self.assertLess(report["base_round_trip_ms"], report["round_trip_ms"])

    def test_each_way_is_what_the_shape_allows_and_what_iperf3_measures(self):
        for where, bps in (("near", 20e6), ("far", 100e6)):
            self.shape(where, bps)
        start_far_end(self.ns, "far", self.folder.name, self.secrets)
        self.ns.start("far", "iperf3", "-s", "-B", FAR)
        wait_until(lambda: f"{FAR}:5201" in self.ns.run("far", "ss", "-Hltn").stdout, 20, "iperf3")

        def attempt():
            answer = self.path(FAR, "--seconds", "2")
            for way, bps in (("to", 20e6), ("from", 100e6)):
                self.check_shaped(answer[way], bps)
            return answer
        answer = self.again_on_a_busy_machine(2, attempt)
        done = self.ns.run("near", "iperf3", "-c", FAR, "-t", "2", "-O", "1", "-J", "-R", timeout=30)
        theirs = json.loads(done.stdout)["end"]["sum_received"]["bits_per_second"]
        self.assertAlmostEqual(answer["from"]["goodput_bps"] / theirs, 1, delta=0.03)

    def test_nearly_a_gigabit_is_what_the_shape_allows_and_a_bare_cable_is_not_the_limit(self):
        self.shape("near", 940e6, burst="128kb")
        start_far_end(self.ns, "far", self.folder.name, self.secrets)

        def attempt():
            answer = self.path(FAR, "--seconds", "2")
            self.check_shaped(answer["to"], 940e6)
            # The other way is not shaped: whatever limits there, it is told that it is not the path.
            bare = answer["from"]["udp"]
            self.assertTrue(bare["at_least"])
            self.assertIn(bare["limited_by"], ("sender", "receiver"))
        self.again_on_a_busy_machine(3, attempt)

    def test_a_small_window_is_found_to_limit(self):
        start_far_end(self.ns, "far", self.folder.name, self.secrets)
        self.ns.run("near", "sysctl", "-qw", "net.ipv4.tcp_rmem=4096 8192 16384")
        report = self.path(FAR, "--seconds", "1.5", "--only", "tcp")["from"]
        self.assertEqual(report["limited_by"], "window", report)
        self.assertLessEqual(report["window_offered_bytes"], 16384)
        self.assertIn("receiver's window was full", report["limited_by_reason"])
        # What limits stands before the path: nothing is claimed of the path.
        self.assertIsNone(report["bottleneck_bps"])
        self.assertIn("before the path", report["unread"]["bottleneck_bps"])

    def test_what_is_sent_again_is_what_the_kernel_counts_and_the_cable_lost(self):
        start_far_end(self.ns, "far", self.folder.name, self.secrets)
        # By packets, not by pieces of 64 KiB that a veth carries whole.
        self.ns.run("near", "ethtool", "-K", "eth0", "tso", "off", "gso", "off")
        self.shape("near", 100e6)
        self.ns.run("far", "nft", "add table netdev loss; add chain netdev loss in { type filter hook ingress device eth0 priority 0; };"
                    f" add rule netdev loss in tcp dport {PORT} tcp flags & syn == 0 ip length > 1000 numgen inc mod 250 == 0 counter drop")

        def sent_again():
            lines = self.ns.run("near", "cat", "/proc/net/snmp").stdout.splitlines()
            names, values = (line.split() for line in lines if line.startswith("Tcp:"))
            return int(dict(zip(names, values))["RetransSegs"])
        before = sent_again()
        report = self.path(FAR, "--seconds", "2", "--only", "tcp")["to"]
        again = sent_again() - before
        rules = json.loads(self.ns.run("far", "nft", "-j", "list", "table", "netdev", "loss").stdout)["nftables"]
        lost = next(e["counter"]["packets"] for r in rules if "rule" in r for e in r["rule"]["expr"] if "counter" in e)
        self.assertGreater(again, 20)
        self.assertEqual(report["retransmitted_packets"], again)
        self.assertAlmostEqual(report["sent_again_bytes"] / (again * TCP_PAYLOAD), 1, delta=0.01)
        self.assertAlmostEqual(report["tcp_efficiency_ratio"], 1 - again * TCP_PAYLOAD / report["sent_bytes"], delta=1e-4)
        # Each that is lost is sent again, and few besides.
        self.assertGreaterEqual(again, lost)
        self.assertLess(again, lost * 1.2 + 5)
        self.assertEqual(report["limited_by"], "path", report["limited_by_reason"])


class Router(Asking):
    """Two cables with a router between them; the farther one takes smaller packets."""
    BEYOND, LINK = "198.51.100.10", 1400

    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory(prefix="tallywire-path-")
        cls.secrets = write_keys(cls.folder.name)
        cls.ns = Namespaces("near", "router", "beyond").__enter__()
        try:
            cls.ns.cable("near", "router", address_a=f"{NEAR}/24", address_b="192.0.2.1/24")
            cls.ns.cable("router", "beyond", name_a="eth1", address_a="198.51.100.1/24", address_b=f"{cls.BEYOND}/24")
            cls.ns.run("router", "sysctl", "-qw", "net.ipv4.ip_forward=1")
            cls.ns.run("router", "ip", "link", "set", "dev", "eth1", "mtu", cls.LINK)
            cls.ns.run("near", "ip", "route", "add", "default", "via", "192.0.2.1")
            cls.ns.run("beyond", "ip", "route", "add", "default", "via", "198.51.100.1")
            start_far_end(cls.ns, "beyond", cls.folder.name, cls.secrets, cls.BEYOND)
        except BaseException:
            cls.tearDownClass()
            raise

    @classmethod
    def tearDownClass(cls):
        cls.ns.__exit__()
        cls.folder.cleanup()

    def ping_says(self, octets):
        """iputils' ping with the don't-fragment flag: 28 octets of header (RFC 791, 792)."""
        return self.ns.run("near", "ping", "-M", "do", "-c", "1", "-W", "1", "-s", octets - 28, self.BEYOND, check=False).returncode == 0

    def test_the_mtu_of_the_path_is_found_whether_the_router_says_so_or_not(self):
        self.ns.run("router", "nft", "add table ip silence; add chain ip silence out { type filter hook output priority 0; };"
                    " add rule ip silence out icmp type destination-unreachable drop")
        silent = self.path(self.BEYOND, "--seconds", "1", "--only", "tcp", code=3)["to"]
        self.assertEqual((silent["path_mtu_bytes"], silent["path_mtu_by"], silent["path_mtu_black_hole"]), (self.LINK, "probes", True))
        # Both ends have interfaces of 1500, and nobody tells TCP: it stalls, and the reason is named.
        self.assertIsNone(silent["goodput_bps"])
        self.assertEqual(silent["limited_by"], "path")
        self.assertIn(f"more than {self.LINK} octets are lost", silent["limited_by_reason"])
        self.ns.run("router", "nft", "delete", "table", "ip", "silence")
        told = self.path(self.BEYOND, "--seconds", "1", "--only", "tcp")["to"]
        self.assertEqual((told["path_mtu_bytes"], told["path_mtu_black_hole"]), (self.LINK, False))
        self.assertEqual(told["segment_bytes"], self.LINK - 52)  # RFC 791, 9293, and 12 octets of time stamp option (RFC 7323)
        self.assertTrue(self.ping_says(self.LINK))
        self.assertFalse(self.ping_says(self.LINK + 1))

    def test_where_no_udp_comes_through_tcp_is_measured_and_the_rest_is_unread(self):
        self.ns.run("router", "nft", "add table ip walls; add chain ip walls through { type filter hook forward priority 0; };"
                    " add rule ip walls through meta l4proto udp drop")
        self.addCleanup(self.ns.run, "router", "nft", "delete", "table", "ip", "walls")
        report = self.path(self.BEYOND, "--seconds", "1", code=3)["to"]
        self.assertIsNone(report["udp"])
        self.assertIn("no UDP packet came through", report["unread"]["udp"])
        self.assertGreater(report["goodput_bps"], 0)
        self.assertEqual(report["path_mtu_by"], "tcp")


class Path(Asking):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory(prefix="tallywire-path-")
        folder = pathlib.Path(cls.folder.name)
        cls.secrets = write_keys(folder)
        cls.ns = Namespaces("far", "near").__enter__()
        try:
            cls.ns.cable("far", "near", address_a=f"{FAR}/24", address_b=f"{NEAR}/24")
            for where, bps in (("near", 100e6), ("far", 40e6)):
                cls.ns.run(where, "tc", "qdisc", "add", "dev", "eth0", "root", "tbf", "rate", f"{bps:.0f}", "burst", "16kb", "latency", "50ms")
            cls.ns.run("near", "sysctl", "-qw", "net.ipv4.tcp_congestion_control=reno")
            cls.far_end = start_far_end(cls.ns, "far", cls.folder.name, cls.secrets)
            cls.ns.start("far", "/usr/bin/python3", "-c",
                         f"import socket,time; s=socket.create_server(('{FAR}', 9554)); time.sleep(120)")
            wait_until(lambda: f"{FAR}:9554" in cls.ns.run("far", "ss", "-Hltn").stdout, 20, "a listener that says nothing")
        except BaseException:
            cls.tearDownClass()
            raise

    @classmethod
    def tearDownClass(cls):
        cls.ns.__exit__()
        cls.folder.cleanup()

    def sent_octets(self):
        link = json.loads(self.ns.run("near", "ip", "-s", "-j", "link", "show", "dev", "eth0").stdout)[0]
        return link["stats64"]["tx"]["bytes"]

    def test_no_more_than_the_ceiling_is_sent(self):
        before = self.sent_octets()
        answer = self.path(FAR, "--seconds", "2", "--ceiling-mbps", "20", "--only", "tcp")
        sent = self.sent_octets() - before
        for way in ("to", "from"):
            self.assertAlmostEqual(answer[way]["goodput_bps"] / 20e6, 1, delta=0.03, msg=way)
            self.assertEqual(answer[way]["limited_by"], "sender")
            self.assertIn("ceiling of 20 Mbit/s", answer[way]["limited_by_reason"])
        # Two seconds of 20 Mbit/s, headers with them, and the acknowledgements of the other way.
        self.assertLess(sent, 20e6 / 8 * 2 * 1.15)

    def test_no_udp_above_the_ceiling_is_sent(self):
        def attempt():
            before, begun = self.sent_octets(), time.monotonic()
            answer = self.path(FAR, "--seconds", "1", "--ceiling-mbps", "5", "--only", "udp", "--packet-bytes", "700")
            self.check_ceiling(answer, self.sent_octets() - before, time.monotonic() - begun)
        self.again_on_a_busy_machine(3, attempt)

    def check_ceiling(self, answer, sent, took_s):
        for way in ("to", "from"):
            udp = answer[way]["udp"]
            self.assertNotIn("goodput_bps", answer[way])
            self.assertEqual((udp["limited_by"], udp["at_least"], udp["packet_bytes"]), ("ceiling", True, 700))
            self.assertAlmostEqual(udp["capacity_bps"] / 5e6, 1, delta=0.02)
            # 700 octets of packet are 672 of payload and cost the wire 738 (RFC 768, 791; IEEE 802.3).
            self.assertAlmostEqual(udp["capacity_payload_bps"] / udp["capacity_bps"], 672 / 738, places=6)
            self.assertLessEqual(max(step["sent_bps"] for step in udp["steps"]), 5e6 * 1.01)
        self.assertLess(sent, 5e6 / 8 * took_s + 20_000)

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
            answer = self.path(FAR, "--seconds", "3", "--only", "tcp", code=3)
            took_s = time.monotonic() - begun
        finally:
            stop.join()
            os.killpg(self.far_end.pid, signal.SIGCONT)
            # What the kernel still held for it is on the wire now, and no longer once another test counts octets.
            wait_until(lambda: not self.ns.run("near", "ss", "-Htn", "state", "fin-wait-1").stdout.strip(), 10, "the rest is sent")
        self.assertEqual(answer["error"]["kind"], "timed_out")
        # 6 s of patience with a write that is held up, from the moment that it stopped; and the command itself.
        self.assertLess(took_s, 1 + 6 + 4)

    def test_a_person_who_stops_it_keeps_what_was_read(self):
        for options, after_s in (("--only", "tcp"), 1.2), (("--only", "udp"), 0.8):
            with self.subTest(options):
                asking = self.ns.start("near", BIN / "tallywire", "path", FAR, "--key", "right", "--secrets", self.secrets, "--json", "--alone",
                                       "--seconds", "20", *options, stdout=subprocess.PIPE)
                time.sleep(after_s)
                begun = time.monotonic()
                os.killpg(asking.pid, signal.SIGINT)
                told, _ = asking.communicate(timeout=10)
                # What waits in the path's queue and the far end's count come before the end.
                self.assertLess(time.monotonic() - begun, 3)
                answer = json.loads(told)
                self.assertIn("to", answer)
                self.assertIsNone(answer["from"])
                self.assertIn("ended", answer["unread"]["from"])
                self.assertEqual(asking.returncode, 3)
                if "tcp" in options:
                    self.assertGreater(answer["to"]["goodput_bps"], 50e6)

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

    def test_parts_and_sizes_that_are_none_are_wrong_requests(self):
        for options in ("--only", "tpc"), ("--only", "tcp,"), ("--only", ","), ("--packet-bytes", "40"), ("--packet-bytes", "70000"):
            with self.subTest(options):
                self.assertEqual(self.path(FAR, *options, code=2)["error"]["kind"], "bad_request")


if __name__ == "__main__":
    unittest.main(verbosity=2)
