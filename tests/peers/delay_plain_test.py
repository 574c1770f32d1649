"""Delay towards a plain reflector, written from RFC 8762 in Python, and what the command makes of wrong requests and of a stop."""

import json
import os
import signal
import struct
import subprocess
import time
import unittest

from delay_site import BIN, FAR, FAR6, KEY, NEAR, NEAR_TOO, PLAIN_PORT, DelaySite, wait_until
import stamp_truth


class PlainDelay(DelaySite):
    # --- A plain reflector.

    def plain(self, mode, *options, key=None, code=0, host=FAR):
        reflector = self.helper("far", "plain_reflector.py", host, PLAIN_PORT, mode, *([key] if key else []))
        answer = self.path(host, "--plain-reflector", *options, code=code)
        return answer["delay"], self.told_by(reflector)

    def test_a_plain_reflector_that_counts(self):
        report, did = self.plain("stateful", "--seconds", "1", "--delay-packets-per-s", "200")
        self.assertEqual(did["came"], report["sent_packets"])
        self.assertEqual(report["answered_packets"], did["sent"])
        # The last packets may be lost on either way, and nobody knows which.
        self.assertEqual(report["to"]["lost_packets"] + report["from"]["lost_packets"] + report["undecided_lost_packets"], report["lost_packets"])
        self.assertAlmostEqual(report["to"]["lost_packets"], did["not_received"], delta=report["undecided_lost_packets"])
        self.assertAlmostEqual(report["from"]["lost_packets"], did["not_sent"], delta=report["undecided_lost_packets"])
        self.assertLessEqual(report["undecided_lost_packets"], 2)
        self.assertGreater(did["not_sent"], 3)
        self.assertTrue(report["reflector_counts"])
        self.assertIsNotNone(report["round_trip_median_ms"])
        self.assertIn("clock", report["to"]["unread"]["one_way_ms"])

    def test_what_a_person_reads(self):
        self.helper("far", "plain_reflector.py", FAR, PLAIN_PORT, "stateful")
        text = self.ns.run("near", BIN / "tallywire", "path", FAR, "--secrets", self.secrets, "--alone", "--plain-reflector", "--seconds", "0.5").stdout
        self.assertRegex(text, r"round trip, without the reflector's time +[0-9.]+ +[0-9.]+ ")
        self.assertRegex(text, r"lost +[0-9]+ \([0-9.]+ %\)")
        self.assertRegex(text, r"unread +from hops +with which TTL the reflector sends is not known")
        self.assertIn("only networks you are asked to", text)

    def test_a_plain_reflector_that_keeps_no_count_by_ipv6(self):
        report, did = self.plain("stateless", "--seconds", "0.6", host=FAR6)
        self.assertEqual((report["answered_packets"], report["lost_packets"]), (did["sent"], did["not_received"]))
        self.assertIsNone(report["to"]["lost_packets"])
        self.assertIn("keeps no count", report["to"]["unread"]["lost_packets"])

    def test_a_plain_reflector_with_the_key_and_with_another(self):
        report, did = self.plain("stateful", "--key", "right", "--seconds", "0.6", key=KEY)
        self.assertEqual((did["wrong_hmac"], report["answered_packets"]), (0, did["sent"]))
        self.assertTrue(report["authenticated"])
        report, did = self.plain("stateful", "--key", "wrong", "--seconds", "1", key=KEY, code=3)
        self.assertEqual((did["came"], did["wrong_hmac"]), (5, 5))
        self.assertEqual((report["answered_packets"], report["ignored"]["wrong_hmac_packets"]), (0, did["sent"]))
        self.assertIn("another key", report["unread"]["round_trip_ms"])

    def test_a_host_that_does_not_answer_is_sent_five_packets_slowly(self):
        with self.captured(near="eth0") as files:
            begun = time.monotonic()
            answer = self.path(FAR, "--plain-reflector", "9", "--seconds", "20", "--delay-packets-per-s", "500", code=3)
            took_s = time.monotonic() - begun
        sent = [p for p in stamp_truth.read(files["near"], 9) if p.source == NEAR]
        self.assertEqual(len(sent), 5)
        for a, b in zip(sent, sent[1:]):
            self.assertGreater(b.at_ns - a.at_ns, 90_000_000)
        self.assertLess(took_s, 5)
        self.assertEqual(answer["unread"]["delay"], "the host did not answer 5 packets, so it was sent no more; it says that nobody listens on this UDP port")
        self.assertIsNone(answer["delay"]["round_trip_min_ms"])

    # --- Ours as the plain reflector of others.

    def test_ours_answers_plain_senders_that_its_settings_name_and_nobody_else(self):
        settings = self.folder / "plain.json"
        settings.write_text(json.dumps({"far_end": {"address": "::", "tcp_port": 7862, "key_secret": "right", "plain_reflector_port": 1862,
                                                    "plain_reflector_for": [NEAR]}}))
        service = self.ns.start("far", BIN / "tallywired", "--settings", settings, "--secrets", self.secrets)
        wait_until(lambda: ":1862" in self.ns.run("far", "ss", "-Hlun").stdout, 20, "the plain reflector")
        # A sender written from RFC 8762 §4.2.1; its last packet is TWAMP's, of 14 octets, and the one before has 100.
        asker = ("import socket,sys,struct\n"
                 "s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM); s.bind((sys.argv[1], 0)); s.settimeout(0.5)\n"
                 "for number, octets in ((0, 44), (1, 44), (5, 100), (6, 14)):\n"
                 "  request = struct.pack('!IQH', number, 0xed01b42580000000 + number, 0x9405).ljust(octets, b'\\0')\n"
                 "  s.sendto(request, (sys.argv[2], 1862))\n"
                 "  try: print(s.recv(2048).hex())\n"
                 "  except TimeoutError: break\n")
        answers = self.ns.run("near", "/usr/bin/python3", "-c", asker, NEAR, FAR).stdout.split()
        self.assertEqual([len(a) // 2 for a in answers], [44, 44, 100, 44])
        for answer, number in zip(map(bytes.fromhex, answers), (0, 1, 5, 6)):
            # §4.3.1, stateless: the sender's number twice, its time and error estimate as they came, its TTL (the kernel's 64).
            self.assertEqual(struct.unpack("!I20xIQHHB", answer[:41]), (number, number, 0xed01b42580000000 + number, 0x9405, 0, 64))
        self.assertEqual(self.ns.run("near", "/usr/bin/python3", "-c", asker, NEAR_TOO, FAR).stdout, "")
        self.ns.end(service)
        self.assertEqual(self.ns.run("far", "ss", "-Hlun").stdout, "")

    # --- The command.

    def test_a_stop_keeps_what_was_read(self):
        process = self.ns.start("near", BIN / "tallywire", "path", FAR, "--key", "right", "--secrets", self.secrets, "--json", "--alone", "--seconds", "30",
                                stdout=subprocess.PIPE, text=True)
        time.sleep(1)
        begun = time.monotonic()
        os.killpg(process.pid, signal.SIGINT)
        out, _ = process.communicate(timeout=10)
        self.assertLess(time.monotonic() - begun, 2)
        report = json.loads(out)["delay"]
        self.assertGreater(report["answered_packets"], 20)
        self.assertLess(report["sent_packets"], 150)

    def test_wrong_requests(self):
        for options in (("--delay-packet-bytes", "46", "--unauthenticated", "--key", "right"), ("--delay-packets-per-s", "1001", "--key", "right"),
                        ("--ceiling-mbps", "5", "--delay-packets-per-s", "1000", "--delay-packet-bytes", "1400", "--key", "right"), ("--plain-reflector", "0"),
                        ("--plain-reflector", "--seconds", "601"), ("--plain-reflector", "--key", "nobody"), ("--plain-reflector", "--delay-packet-bytes", "1453")):
            self.assertEqual(self.path(FAR, *options, code=2)["error"]["kind"], "bad_request", options)
        for group in ("224.0.0.1", "255.255.255.255", "ff02::1", "0.0.0.0"):
            self.assertEqual(self.path(group, "--plain-reflector", code=2)["error"]["kind"], "bad_request", group)
        self.assertIn("--key NAME", self.path(FAR, code=2))


if __name__ == "__main__":
    unittest.main(verbosity=2)
