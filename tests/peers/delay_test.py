"""Delay, loss, variation and order by STAMP: between two of ours over a cable and over a path that spoils, held against what
tcpdump caught at both ends and tshark reads of it."""

import hashlib
import hmac
import re
import struct
import subprocess
import time
import unittest

from delay_site import FAR, FAR6, KEY, NEAR, NEAR_TOO, PLAIN_PORT, SPOILT_FAR, SPOILT_NEAR, DelaySite, wait_until
import stamp_truth


def ntp_ns(octets):
    seconds, fraction = struct.unpack("!II", octets)
    return (seconds - 2208988800) * 10**9 + (fraction * 10**9 + 2**31 >> 32)


class Delay(DelaySite):
    # --- A cable: fields and delays.

    def test_a_session_is_what_tshark_reads_and_its_delays_are_those_of_the_capture(self):
        with self.captured(near="eth0", far="eth0") as files:
            report, ticks = self.result(self.probe(FAR, seconds=2.5, packets_per_s=120, authenticated=False))
        sent, reached, answered, came = self.both_ends(files, NEAR)
        self.assertEqual([len(sent), len(reached), len(answered), len(came)], [report["sent_packets"]] * 4)
        self.assertEqual(report["answered_packets"], report["sent_packets"])
        self.assertTrue(250 < report["sent_packets"] <= 300)  # a sender that is held up leaves packets out instead of sending a burst
        session = sent[0].session
        self.assertNotEqual(session, 0)
        for i, p in enumerate(sent):
            # RFC 8762 §4.2.1; TTL 255 by RFC 5357 §4.1.2; S is 0, since nothing keeps the clock here or nothing is known of it.
            self.assertEqual((p.octets, p.ttl, p.number, p.session), (44, 255, i, session))
            self.assertNotEqual(p.error & 0xff, 0)
            self.assertEqual(p.payload[16:], bytes(28))
        by_number = {p.number: p for p in sent}
        for i, p in enumerate(answered):
            asked = by_number[p.sender_number]
            # §4.3.1: the reflector's own count, and the request's fields as they came.
            self.assertEqual((p.octets, p.number, p.sender_time, p.sender_error, p.sender_ttl, p.session), (44, i, asked.time, asked.error, 255, session))
            self.assertEqual(p.payload[38:40] + p.payload[41:], bytes(5))
        # The receive time in each answer is the capture's own, both being the kernel's.
        came_at = {p.number: p.at_ns for p in reached}
        off = [abs(ntp_ns(p.payload[16:24]) - came_at[p.sender_number]) for p in answered]
        self.assertLess(max(off), 2_000)
        self.delays_agree(report, sent, reached, answered, came)
        self.assertEqual((report["to"]["hops"], report["from"]["hops"]), (0, 0))
        self.assertLess(abs(report["clock_skew_ppm"]), report["clock_skew_half_width_ppm"] + 0.5)  # both ends have one clock
        self.ticks_are_right(ticks, report)

    def delays_agree(self, report, sent, reached, answered, came):
        """Both captures are of one clock. What the card was handed is stamped twice, for tcpdump and for the sender: a microsecond
        lies between, or some tens where tcpdump is woken in between on the same core."""
        out, there = self.times(sent, "number"), self.times(reached, "number")
        back, here = self.times(answered, "sender_number"), self.times(came, "sender_number")
        forth = [(there[n] - out[n]) / 1e6 for n in sorted(here)]
        home = [(here[n] - back[n]) / 1e6 for n in sorted(here)]
        trips = [f + h for f, h in zip(forth, home)]
        for share, word in ((0.5, "median"), (0.95, "p95")):
            self.assertAlmostEqual(report[f"round_trip_{word}_ms"], stamp_truth.percentile(trips, share), delta=0.1, msg=word)
            for way, delays in (("to", forth), ("from", home)):
                above = [d - min(delays) for d in delays]
                self.assertAlmostEqual(report[way][f"variation_{word}_ms"], stamp_truth.percentile(above, share), delta=0.1, msg=(way, word))
        self.assertAlmostEqual(report["round_trip_min_ms"], min(trips), delta=0.1)
        print(f"round trip, report against capture, ms: least {report['round_trip_min_ms']:.4f} {min(trips):.4f}, median "
              f"{report['round_trip_median_ms']:.4f} {stamp_truth.percentile(trips, 0.5):.4f}, 99 % {report['round_trip_p99_ms'] or 0:.4f} "
              f"{stamp_truth.percentile(trips, 0.99):.4f}")

    @staticmethod
    def times(packets, field):
        return {getattr(p, field): p.at_ns for p in packets}

    def ticks_are_right(self, ticks, report):
        self.assertGreater(len(ticks), 20)
        self.assertEqual(sorted(t["sent"] for t in ticks), [t["sent"] for t in ticks])
        self.assertEqual((ticks[-1]["answered"], ticks[-1]["lost"]), (report["answered_packets"], 0))
        # A tick cannot know how late the far end's answers left, so it lies above the report.
        self.assertGreaterEqual(ticks[-1]["round_trip_min_ms"], report["round_trip_min_ms"] - 0.001)

    # --- A path that spoils: loss, doubles and order.

    def test_loss_doubles_and_order_each_way_are_those_of_the_captures(self):
        mangler = self.helper("mid", "stamp_mangler.py", "to_near", "to_far")
        with self.captured(near="eth1", far="eth1") as files:
            report, _ = self.result(self.probe(SPOILT_FAR, seconds=2, packets_per_s=300, authenticated=False))
        did = self.told_by(mangler)
        sent, reached, answered, came = self.both_ends(files, SPOILT_NEAR)
        self.assertEqual(report["sent_packets"], len(sent))
        for way, end, point in (("to", "a", reached), ("from", "b", came)):
            self.assertGreater(did[end]["dropped"], 10)
            # The mangler saw the ends' ARP-free UDP alone; what it still held at the end never came.
            self.assertGreaterEqual(did[end]["dropped"] + 5, report[way]["lost_packets"])
            numbers = [p.number for p in point]
            self.assertEqual(report[way]["duplicate_packets"], len(numbers) - len(set(numbers)), way)
            self.assertGreater(report[way]["duplicate_packets"], 5)
        self.assertEqual(report["to"]["lost_packets"], len(sent) - len({p.number for p in reached}))
        self.assertEqual(report["from"]["lost_packets"], len(answered) - len({p.number for p in came}))
        answered_numbers = {p.sender_number for p in came}
        self.assertEqual(report["answered_packets"], len(answered_numbers))
        self.assertEqual(report["duplicate_packets"], len(came) - len(answered_numbers))
        periods = stamp_truth.loss_periods(len(sent), answered_numbers)
        self.assertEqual((report["loss"]["period"]["count"], report["loss"]["period"]["max_packets"]), (len(periods), max(periods)))
        self.order_agrees(report["from"], stamp_truth.once(p.number for p in came))
        # Of the way there only what came back is known: the requests in the order of the answers that did.
        back = {p.number for p in came}
        self.order_agrees(report["to"], stamp_truth.once(p.sender_number for p in answered if p.number in back))
        self.spoilt_delays_agree(report, sent, reached, answered, came)

    def order_agrees(self, way, numbers):
        reordered, gaps, runs = stamp_truth.order(numbers)
        self.assertGreater(len(reordered), 5)
        told = way["reordering"]
        self.assertEqual(way["reordered_packets"], len(reordered))
        self.assertAlmostEqual(way["reordered_ratio"], len(reordered) / len(numbers), places=9)
        extents = [extent for extent, _ in reordered.values()]
        self.assertEqual((told["extent"]["min_packets"], told["extent"]["max_packets"]), (min(extents), max(extents)))
        self.assertEqual(told["n_reordered_packets"], {str(n): sum(1 for _, m in reordered.values() if m >= n) for n in (1, 2, 3)})
        self.assertEqual((told["gap"]["count"], told["gap"]["max_packets"]), (len(gaps), max(gaps)))
        self.assertEqual((told["free_run"]["count"], told["free_run"]["max_packets"]), (len(runs), max(runs)))

    def spoilt_delays_agree(self, report, sent, reached, answered, came):
        """Packets held back came some 5 to 20 ms late; the first copy of each counts."""
        first = lambda points: {p.number: p for p in reversed(points)}  # noqa: E731
        out, there, back = first(sent), first(reached), first(answered)
        seen, trips = set(), []
        for p in came:
            if p.sender_number in seen:
                continue
            seen.add(p.sender_number)
            inside = back[p.number].at_ns - ntp_ns(p.payload[16:24])
            trips.append((p.at_ns - out[p.sender_number].at_ns - inside) / 1e6)
        for word, share in (("median", 0.5), ("p95", 0.95), ("p99", 0.99)):
            self.assertAlmostEqual(report[f"round_trip_{word}_ms"], stamp_truth.percentile(trips, share), delta=0.2, msg=word)
        self.assertAlmostEqual(report["round_trip_max_ms"], max(trips), delta=1)
        self.assertGreater(max(trips), 9)
        self.assertTrue(there)

    def test_what_is_under_way_tells_harm_within_its_second(self):
        process = self.probe(FAR, seconds=4, packets_per_s=100)  # long enough for what a busy machine takes to cut and to mend
        wait_until(lambda: self.ns.run("far", "ss", "-Hlun").stdout, 5, "the session")
        time.sleep(0.3)
        self.ns.run("far", "nft", "-f", "-", input="table netdev cut {\nchain c {\ntype filter hook ingress device eth0 priority 0; meta l4proto udp drop\n}\n}\n")
        time.sleep(0.8)  # 80 packets, of which a sender that is held up leaves some out
        self.ns.run("far", "nft", "delete", "table", "netdev", "cut")
        report, ticks = self.result(process)
        silent = [t for t in ticks if t["round_trip_recent_ms"] is None]
        self.assertGreaterEqual(len(silent), 3)
        lost = [t["lost"] for t in ticks]
        self.assertEqual(lost[0], 0)
        self.assertGreaterEqual(max(lost), 40)
        self.assertEqual(report["lost_packets"], max(lost))
        self.assertEqual(report["to"]["lost_packets"], report["lost_packets"])
        self.assertEqual(report["from"]["lost_packets"], 0)
        self.assertEqual(report["loss"]["period"]["count"], 1)

    # --- Who is answered, and by which key.

    def test_packets_are_signed_as_the_rfc_says_and_neither_key_nor_what_is_derived_crosses(self):
        with self.captured(near="eth0") as files:
            answer = self.path(FAR, "--key", "right", "--seconds", "1", "--ceiling-mbps", "2")
        report = answer["delay"]
        self.assertTrue(report["authenticated"])
        self.assertEqual((report["answered_packets"], report["packet_bytes"]), (report["sent_packets"], 112))
        self.assertTrue(40 < report["sent_packets"] <= 50)
        self.assertIn("to", answer)
        octets = files["near"].read_bytes()
        salt = re.search(rb'salt\W+([0-9a-f]{32})', octets)[1]
        session_key = hmac.new(KEY.encode(), b"STAMP session " + salt, hashlib.sha256).digest()
        for secret in (KEY.encode(), session_key, session_key.hex().encode()):
            self.assertNotIn(secret, octets)
        packets = [p for p in stamp_truth.read(files["near"], self.session_port(files)) if p.octets == 112]
        self.assertEqual(len(packets), 2 * report["sent_packets"])
        for p in packets:
            # RFC 8762 §4.4: the first 96 octets, the sum's first 16.
            self.assertEqual(p.payload[96:], hmac.new(session_key, p.payload[:96], hashlib.sha256).digest()[:16])

    def test_packets_with_a_wrong_sum_or_of_others_are_counted_and_not_answered(self):
        with self.captured(near="eth0") as files:
            process = self.probe(FAR, seconds=1.2)
            listening = wait_until(lambda: self.ns.run("far", "ss", "-Hlun").stdout.split(), 5, "the session's socket")
            port = int(listening[3].rsplit(":", 1)[1])
            forger = ("import socket,sys\n"
                      "for address in sys.argv[2:]:\n"
                      "  s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM); s.bind((address, 0)); s.settimeout(0.3)\n"
                      "  for octets in (112, 112, 111, 40): s.sendto(bytes(23) + b'\\x01' + bytes(octets - 24), ('%s', int(sys.argv[1])))\n"
                      "  try: sys.exit('answered: %%r' %% s.recv(200))\n"
                      "  except TimeoutError: pass\n") % FAR
            self.ns.run("near", "/usr/bin/python3", "-c", forger, port, NEAR, NEAR_TOO)
            report, _ = self.result(process)
        self.assertEqual(report["far_ignored_packets"], 8)
        self.assertEqual((report["answered_packets"], report["lost_packets"]), (report["sent_packets"], 0))
        self.assertEqual(report["to"]["duplicate_packets"], 0)
        self.assertTrue(files)

    def test_without_an_agreement_the_far_end_has_no_udp_port(self):
        self.assertEqual(self.ns.run("far", "ss", "-Hlun").stdout, "")
        with self.captured(near="eth0") as files:
            answer = self.path(FAR, "--key", "wrong", "--seconds", "1", code=3)
        self.assertEqual(answer["error"]["kind"], "refused")
        self.assertEqual(stamp_truth.read(files["near"], PLAIN_PORT), [])
        done = subprocess.run(["tshark", "-n", "-r", str(files["near"]), "-Y", "udp"], capture_output=True, text=True, timeout=30)
        self.assertEqual(done.stdout, "")

    def test_ipv6_and_longer_packets(self):
        with self.captured(near="eth0") as files:
            report, _ = self.result(self.probe(FAR6, seconds=0.5, packet_octets=600))
        self.assertEqual((report["answered_packets"], report["packet_bytes"], report["to"]["hops"]), (report["sent_packets"], 600, 0))
        self.assertGreater(report["sent_packets"], 15)
        lengths = subprocess.run(["tshark", "-n", "-r", str(files["near"]), "-Y", "udp && ipv6", "-T", "fields", "-e", "udp.length", "-e", "ipv6.hlim"],
                                 capture_output=True, text=True, timeout=30).stdout.split("\n")[:-1]
        self.assertEqual(lengths, ["608\t255"] * (2 * report["sent_packets"]))


if __name__ == "__main__":
    unittest.main(verbosity=2)
