"""A service that holds a tap on a port of a bridge, through which gst-rtsp-server sends to GStreamer's own client: what it
tells of the streams, what headroom makes of them without any round, what it does while an interface is away. The truth of
the rates is what the server's payloaders counted.

  server (gst-rtsp-server) -- in0 box: bridge, tallywired -- client (gst-launch-1.0)"""

import itertools
import json
import pathlib
import re
import sys
import time
import unittest

HERE = pathlib.Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent / "support"), str(HERE.parent / "peers")]
from api_test import BIN, Service  # noqa: E402
from gst_peer import CLIENT, PORT, SERVER, GstPeer, make_file, scratch  # noqa: E402
from namespaces import Namespaces, run, wait_until  # noqa: E402

INTERVAL_S = 5
MAIN, SUB = (f"camera/gate/head/1/stream/{name}" for name in ("main", "sub"))


def stream(name, width, height, kbps):
    return {"id": name, "codec": "H264", "width_px": width, "height_px": height, "frame_rate_hz": 25, "bit_rate_kbps": kbps, "path": f"/{name}"}


DESIGN = {
    "format": 1, "site": {"name": "Sand store"},
    "switches": [{"id": "sw", "address": "192.0.2.2", "ports": ["1", "up"], "uplinks": [{"id": "up", "port": "up", "to": "core", "speed_mbps": 100}]}],
    "cameras": [{"id": "gate", "switch": "sw", "port": "1", "hardware_address": "02:00:5e:20:00:01", "address": SERVER, "rtsp_port": PORT,
                 "link_speed_mbps": 100, "heads": [{"id": "1", "streams": [stream("main", 640, 360, 2000), stream("sub", 320, 180, 500)]}]}],
}


class HeldTap(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        folder = scratch(cls)
        options = lambda rate: ("-preset", "ultrafast", "-b:v", rate)
        files = {"main": make_file(folder, "main", "h264", "640x360", 25, 25, 60, options("2M")),
                 "sub": make_file(folder, "sub", "h264", "320x180", 25, 25, 60, options("500k"))}
        (folder / "design.json").write_text(json.dumps(DESIGN))
        cls.ns = ns = Namespaces("server", "box", "client").__enter__()
        cls.addClassCleanup(ns.__exit__)
        ns.cable("server", "box", "eth0", "in0", address_a=f"{SERVER}/24")
        ns.cable("box", "client", "out0", "eth0", address_b=f"{CLIENT}/24")
        ns.run("box", "ip", "link", "add", "br0", "type", "bridge")
        for port in ("in0", "out0"):
            ns.run("box", "ip", "link", "set", "dev", port, "master", "br0")
        ns.run("box", "ip", "link", "set", "dev", "br0", "up")
        cls.peer = GstPeer(ns, folder, BIN)
        cls.peer.start({f"/{name}": {"file": str(file)} for name, file in files.items()})
        cls.service = Service(ns, folder, {"tap": {"interfaces": ["in0", "mirror9"], "interval_s": INTERVAL_S}},
                              design=folder / "design.json").up()
        cls.addClassCleanup(cls.service.end)
        cls.early = cls.get("/api/tap?interface=in0")
        # What a session says before anyone listens nobody hears.
        wait_until(lambda: any(t["interface"] == "in0" and t["state"] == "tapping" for t in cls.get("/api/service")[1]["taps"]), 20, "the tap")
        for name, protocol in (("main", "udp"), ("sub", "tcp")):
            ns.start("client", "gst-launch-1.0", "rtspsrc", f"location=rtsp://{SERVER}:{PORT}/{name}", f"protocols={protocol}", "!", "fakesink")

    @classmethod
    def get(cls, path):
        body, status = cls.service.by_socket(path, "-w", "\n%{http_code}").stdout.rsplit("\n", 1)
        return int(status), json.loads(body)

    def streams(self):
        """The newest interval's, by the design's name for them."""
        status, answer = self.get("/api/tap?interface=in0")
        return {s["subject"]: s for s in answer["streams"]} if status == 200 else {}

    def whole_interval(self, after=""):
        """The answer of an interval that began after `after` and in which both streams played from end to end."""
        def look():
            status, answer = self.get("/api/tap?interface=in0")
            whole = status == 200 and answer["at"] > after and {s["subject"] for s in answer["streams"]} == {MAIN, SUB}
            return answer if whole and min(s["duration_s"] for s in answer["streams"]) > INTERVAL_S - 0.7 else None
        return wait_until(look, 6 * INTERVAL_S, "both streams through a whole interval")

    def tapping(self, interface):
        return next(t for t in self.get("/api/service")[1]["taps"] if t["interface"] == interface)

    def tallywire(self, *arguments):
        return self.ns.run("box", f"{BIN}/tallywire", "tap", "--socket", self.service.socket, "--json", *arguments, check=False)

    def test_1_before_its_first_interval_is_over_it_says_so(self):
        status, answer = self.early
        self.assertEqual(status, 503, answer)
        self.assertIn("first interval", answer["error"]["what"])

    def test_2_the_streams_are_told_with_url_and_codec_and_the_designs_name(self):
        answer = self.whole_interval()
        self.assertEqual((answer["interface"], answer["interval_s"]), ("in0", INTERVAL_S))
        streams = {s["subject"]: s for s in answer["streams"]}
        made = {row["ssrc"]: row["frames"] for row in self.peer.counts()}
        for subject, name, transport, width in ((MAIN, "main", "udp", 640), (SUB, "sub", "tcp", 320)):
            seen = streams[subject]
            with self.subTest(stream=name):
                self.assertEqual((seen["url"], seen["codec"], seen["width"], seen["transport"], seen["recognised_by"], seen["lost_packets"]),
                                 (f"rtsp://{SERVER}:{PORT}/{name}", "H264", width, transport, "rtsp", 0))
                frames = made[seen["ssrc"]]
                seconds = ((frames[-1][0] - frames[0][0]) & 0xffffffff) / 90000  # 90 kHz: RFC 3551
                sent_bps = sum(frame[3] for frame in frames[:-1]) * 8 / seconds
                # Another stretch of the same file: as near as its rate control keeps it.
                self.assertAlmostEqual(seen["payload_bps"] / sent_bps, 1, delta=0.2)
        self.assertIsNotNone(answer["verdicts"])

    def test_3_headroom_is_measured_without_any_round(self):
        tapped = self.whole_interval()
        status, answer = self.get("/api/headroom")
        self.assertEqual((status, answer["round"], answer["taps"][0]["interface"]), (200, None, "in0"))
        row = answer["uplinks"][0]
        self.assertEqual((row["streams"], row["streams_measured"], row["streams_tapped"], row["unread"]), (2, 2, 2, None))
        self.assertRegex(row["method"], r"2 of 2 streams by the tap at \d\d:\d\d UTC")
        self.assertAlmostEqual(row["measured_bps"] / sum(s["wire_bps"] for s in tapped["streams"]), 1, delta=0.2)
        self.assertGreater(row["busiest_bps"], row["measured_bps"])

    def test_4_a_person_asks_the_service_to_tap(self):
        done = self.tallywire("--interface", "in0", "--seconds", "3", "--threads", "2")
        self.assertIn(done.returncode, (0, 1, 3), done.stderr)
        answer = json.loads(done.stdout)
        self.assertEqual((answer["capture"]["source"], answer["capture"]["threads"], answer["capture"]["stopped"]), ("in0", 2, False))
        self.assertEqual({s["ssrc"] for s in answer["streams"]}, {row["ssrc"] for row in self.peer.counts()})
        self.assertEqual({s["camera"] for s in answer["streams"]}, {"gate"})
        self.assertTrue(answer["verdicts"])
        wrong = self.tallywire("--interface", "nowhere", "--seconds", "1")
        self.assertEqual(wrong.returncode, 3, wrong.stdout)
        self.assertIn("nowhere", json.loads(wrong.stdout)["error"]["where"])

    def test_5_following_shows_what_the_held_tap_meters(self):
        done = self.tallywire("--interface", "in0", "--follow", "--seconds", "2.5")
        self.assertEqual(done.returncode, 0, done.stderr)
        tables = [json.loads(line) for line in done.stdout.splitlines()]
        self.assertGreaterEqual(len(tables), 2)
        newest = tables[-1]["data"]
        self.assertEqual(newest["streams_in_all"], 2)
        rates = [s["wire_bps_now"] for s in newest["streams"]]
        self.assertEqual(rates, sorted(rates, reverse=True))
        told = {s["subject"]: s["wire_bps"] for s in self.whole_interval()["streams"]}
        self.assertAlmostEqual(rates[0] / told[MAIN], 1, delta=0.5)  # one second of a file against five
        refused = self.tallywire("--interface", "out0", "--follow", "--seconds", "1")
        self.assertEqual(refused.returncode, 2)
        self.assertIn("in0, mirror9", json.loads(refused.stdout)["error"]["what"])

    def test_6_which_tap_is_to_be_said_where_several_are_held(self):
        for path, words in (("/api/tap", "several taps are held: in0, mirror9"), ("/api/tap?interface=out0", "in0, mirror9")):
            status, answer = self.get(path)
            self.assertEqual(status, 404)
            self.assertIn(words, answer["error"]["what"])

    def test_7_an_interface_that_comes_later_is_tapped_then(self):
        failed = self.tapping("mirror9")
        self.assertEqual(failed["state"], "failed")
        self.assertIn("mirror9", failed["note"])
        self.ns.run("box", "ip", "link", "add", "mirror9", "type", "veth", "peer", "name", "far9")
        for end in ("mirror9", "far9"):
            self.ns.run("box", "ip", "link", "set", "dev", end, "up")
        wait_until(lambda: self.tapping("mirror9")["state"] == "tapping", 12, "the tap on what is there now")

    def test_8_an_interface_that_goes_down_is_told_and_picked_up_again(self):
        self.ns.run("box", "ip", "link", "set", "dev", "in0", "down")
        away = wait_until(lambda: (lambda tap: tap if tap["state"] == "away" else None)(self.tapping("in0")), 5, "that the interface is away")
        self.assertEqual(away["note"], "the interface is down")
        status, answer = self.get("/api/tap/live?interface=in0")
        self.assertEqual((status, answer["note"]), (200, "the interface is down"))
        self.ns.run("box", "ip", "link", "set", "dev", "in0", "up")
        wait_until(lambda: self.tapping("in0")["state"] == "tapping", 5, "that it is tapped again")
        back = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
        wait_until(lambda: self.get("/api/tap?interface=in0")[1].get("at", "") > back and self.streams().get(MAIN, {}).get("packets"), 15,
                   "the stream in an interval that ended after it came back")
        events = self.service.by_socket("/api/events?after=0", "--max-time", "1").stdout
        told = [json.loads(data) for data in re.findall(r"event: tap_interface\ndata: (.*)", events)]
        # Why it is away may change meanwhile: it is down, then up without a link.
        states = [state for state, _ in itertools.groupby(t["state"] for t in told if t["interface"] == "in0")]
        self.assertEqual(states, ["tapping", "away", "tapping"])

    def test_9_each_interval_is_told_in_the_feed(self):
        events = self.service.by_socket("/api/events", "--max-time", str(INTERVAL_S + 2)).stdout
        told = [json.loads(data) for data in re.findall(r"event: tap\ndata: (.*)", events) if '"in0"' in data]
        self.assertGreaterEqual(len(told), 1, events)
        self.assertEqual(told[0]["streams_of_design"], told[0]["streams"])
        self.assertGreater(told[0]["wire_bps"], 1e6)


if __name__ == "__main__":
    unittest.main(verbosity=2)
