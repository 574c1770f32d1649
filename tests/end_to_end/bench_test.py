"""The bench: a unit in its box is switched on behind a switch; the clock begins with its first frame, as tcpdump saw it; it is warned of
at 80 % and at the limit, and only while somebody runs the bench; who it is, is asked and held against the design."""

import json
import os
import pathlib
import pty
import signal
import subprocess
import sys
import tempfile
import time
import unittest
from datetime import datetime

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "support"))
from namespaces import Namespaces, run, wait_until  # noqa: E402

BIN = sys.argv.pop()
ADDRESS, MAC, LIMIT_S = "198.51.100.36", "02:00:5e:10:00:36", 10
PASSWORD = "not-a-real-one-5417"


def epoch(rfc3339):
    return datetime.fromisoformat(rfc3339.replace("Z", "+00:00")).timestamp()


def design(**change):
    stream = {"id": "main", "codec": "H264", "width_px": 320, "height_px": 240, "frame_rate_hz": 5, "bit_rate_kbps": 100, "path": "/1"}
    camera = {"id": "quad", "place": "Hall", "switch": "sw", "port": "p1", "hardware_address": MAC, "serial": "TD-0036", "firmware": "1.0", "address": ADDRESS,
              "link_speed_mbps": 1000, "login_secret": "cameras", "bench_limit_s": LIMIT_S, "bench_ambient_min_c": 0, "bench_ambient_max_c": 40,
              "heads": [{"id": str(n), "streams": [dict(stream, path=f"/{n}")]} for n in (1, 2)]} | change
    return {"format": 1, "site": {"name": "A bench"}, "switches": [{"id": "sw", "address": "198.51.100.2", "ports": ["p1", "p2"]}],
            "cameras": [{key: value for key, value in camera.items() if value is not None}]}


class BenchTest(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.ns = Namespaces("switch", "unit", "laptop")
        cls.ns.__enter__()
        cls.addClassCleanup(cls.ns.__exit__)
        folder = tempfile.TemporaryDirectory(prefix="tallywire-bench-")
        cls.addClassCleanup(folder.cleanup)
        cls.folder = pathlib.Path(folder.name)
        cls.folder.chmod(0o755)  # tcpdump works as a user of its own
        switch = cls.ns.name("switch")
        run("ip", "-n", switch, "link", "add", "name", "br0", "type", "bridge")
        run("ip", "-n", switch, "link", "set", "dev", "br0", "up")
        cls.ns.cable("switch", "unit", name_a="p1", mac_b=MAC, address_b=f"{ADDRESS}/24")
        cls.ns.cable("switch", "laptop", name_a="p2", address_b="198.51.100.5/24")
        run("ip", "-n", cls.ns.name("unit"), "link", "set", "dev", "eth0", "down")  # no power yet
        for port in ("p1", "p2"):
            run("ip", "-n", switch, "link", "set", "dev", port, "master", "br0")
        cls.write_files()
        cls.log = open(cls.folder / "service.log", "w+")
        cls.addClassCleanup(cls.log.close)
        cls.socket = cls.folder / "tallywired.sock"
        cls.ns.start("laptop", f"{BIN}/tallywired", "--design", cls.folder / "site.json", "--secrets", cls.folder / "secrets.json", "--interface", "eth0",
                     "--record", cls.folder / "record", "--socket", cls.socket, "--loopback-port", "0", stderr=cls.log)
        wait_until(lambda: "the page is on" in (cls.folder / "service.log").read_text(), 20, "the service")

    @classmethod
    def write_files(cls):
        clip = cls.folder / "clip.h264"
        run("ffmpeg", "-hide_banner", "-loglevel", "error", "-f", "lavfi", "-i", "testsrc2=size=320x240:rate=5", "-frames:v", "5", "-pix_fmt", "yuv420p", "-c:v",
            "libx264", "-x264-params", "keyint=5:min-keyint=5:scenecut=0:bframes=0:repeat-headers=1:slices=1:threads=1", "-f", "h264", clip)
        streams = [{"path": f"/{n}", "head": str(n), "codec": "H264", "file": str(clip), "width_px": 320, "height_px": 240, "frame_rate_hz": 5, "bit_rate_bps": 100000,
                    "gop_frames": 5} for n in (1, 2)]
        files = {"site.json": design(), "other.json": design(serial="TD-0099", firmware="2.0", bench_limit_s=None, heads=design()["cameras"][0]["heads"][:1]),
                 "unit.json": {"address": ADDRESS, "user": "depot", "password": PASSWORD, "serial": "TD-0036", "streams": streams},
                 "secrets.json": {"cameras": {"user": "depot", "password": PASSWORD}}}
        for name, content in files.items():
            (cls.folder / name).touch(0o600)
            (cls.folder / name).write_text(json.dumps(content))

    def api(self, path, *more):
        return self.ns.run("laptop", "curl", "-sS", "--max-time", "20", "--unix-socket", self.socket, *more, f"http://localhost{path}").stdout

    def bench_events(self):
        done = self.ns.run("laptop", "curl", "-sS", "-N", "--max-time", "2", "--unix-socket", self.socket, "http://localhost/api/events?after=0", check=False)
        blocks = [dict(line.split(": ", 1) for line in block.splitlines() if ": " in line) for block in done.stdout.split("\n\n")]
        return [json.loads(b["data"]) for b in blocks if b.get("event") == "bench"]

    def command(self, *arguments, **options):
        return self.ns.run("laptop", f"{BIN}/tallywire", *arguments, check=False, timeout=60, **options)

    def test_1_the_clock_warns_at_80_per_cent_and_at_the_limit_and_the_unit_is_who_it_must_be(self):
        log = open(self.folder / "dump.log", "w+")
        self.addCleanup(log.close)
        file = self.folder / "unit.pcap"
        dump = self.ns.start("laptop", "tcpdump", "-U", "-nn", "-i", "eth0", "-w", file, f"ether src {MAC}", stderr=log)
        wait_until(lambda: "listening on" in (self.folder / "dump.log").read_text(), 10, "tcpdump")
        said = open(self.folder / "bench.log", "w+")
        self.addCleanup(said.close)
        bench = self.ns.start("laptop", f"{BIN}/tallywire", "bench", "--seconds", "16", "--json", "--follow", "--socket", self.socket, stdout=said)
        wait_until(lambda: '"awaited"' in (self.folder / "bench.log").read_text(), 10, "a first look")
        run("ip", "-n", self.ns.name("unit"), "link", "set", "dev", "eth0", "up")
        self.ns.start("unit", f"{BIN}/camera_simulator", self.folder / "unit.json")
        self.assertEqual(bench.wait(40), 1)  # over its limit
        self.ns.end(dump)
        first = float(run("tshark", "-r", file, "-c", "1", "-T", "fields", "-e", "frame.time_epoch").stdout)
        looks = [json.loads(line)["data"]["units"][0] for line in (self.folder / "bench.log").read_text().splitlines()]
        powered = [look for look in looks if look["powered_since"]]
        self.assertAlmostEqual(epoch(powered[0]["powered_since"]), first, delta=0.1)
        self.assertTrue(powered[-1]["power_on_seen"])
        states = [look["state"] for look in looks]
        self.assertEqual(sorted(set(states), key=states.index), ["awaited", "running", "nearly", "over"])
        for look in powered:
            share = look["powered_for_s"] / LIMIT_S
            self.assertEqual(look["state"], "over" if share >= 1 else "nearly" if share >= 0.8 else "running")
        nearly, over = self.bench_events()
        self.assertEqual((nearly["state"], over["state"]), ("nearly", "over"))
        self.assertAlmostEqual(epoch(nearly["at"]) - first, 0.8 * LIMIT_S, delta=1.5)
        self.assertAlmostEqual(epoch(over["at"]) - first, LIMIT_S, delta=1.5)
        self.assertIn("quad has been powered for", over["warning"])
        last = powered[-1]
        self.assertEqual({v["quantity"]: v["verdict"] for v in last["verdicts"]}, {"serial": "met", "firmware": "met", "heads": "met"}, last)
        self.assertEqual((last["serial"], last["firmware"], last["heads"], last["model"]), ("TD-0036", "1.0", 2, "demo unit"))
        self.assertEqual((last["ambient_min_c"], last["ambient_max_c"]), (0, 40))

    def test_2_nobody_is_warned_while_no_bench_runs(self):
        before = len(self.bench_events())
        state = json.loads(self.api("/api/bench"))
        self.assertIsNone(state["bench"])
        self.assertEqual(state["units"][0]["state"], "over")
        time.sleep(2)
        self.assertEqual(len(self.bench_events()), before)

    def test_3_another_unit_than_the_schedule_s_is_told_with_its_findings(self):
        done = self.command("bench", "--alone", "--design", self.folder / "other.json", "--secrets", self.folder / "secrets.json", "--interface", "eth0",
                            "--seconds", "8", "--json")
        self.assertEqual(done.returncode, 1, done.stderr)
        told = json.loads(done.stdout)
        unit = told["units"][0]
        self.assertEqual((unit["state"], unit["limit_s"], unit["power_on_seen"]), ("no_limit", None, False))
        self.assertEqual({v["quantity"]: v["verdict"] for v in unit["verdicts"]}, {"serial": "missed", "firmware": "missed", "heads": "missed"}, unit)
        self.assertEqual({f["id"] for f in told["findings"]}, {"other_unit", "other_firmware", "other_heads"})
        self.assertNotIn(PASSWORD, done.stdout + done.stderr)

    def test_4_a_terminal_shows_cautions_first_and_rings_and_ctrl_c_ends_it(self):
        ours, theirs = pty.openpty()
        bench = subprocess.Popen(["ip", "netns", "exec", self.ns.name("laptop"), f"{BIN}/tallywire", "bench", "quad", "--socket", str(self.socket)],
                                 stdin=subprocess.DEVNULL, stdout=theirs, stderr=subprocess.DEVNULL, start_new_session=True)
        self.ns.processes.append(bench)
        os.close(theirs)
        text = b""
        end = time.monotonic() + 20
        while text.count(b"\033[H\033[J") < 3 and time.monotonic() < end:
            text += os.read(ours, 4096)
        os.killpg(bench.pid, signal.SIGINT)
        while time.monotonic() < end:
            try:
                text += os.read(ours, 4096)
            except OSError:  # its end is closed
                break
        self.assertEqual(bench.wait(10), 1)
        os.close(ours)
        screens = text.decode().split("\033[H\033[J")
        self.assertGreaterEqual(len(screens), 4)
        self.assertTrue(screens[1].startswith("Mind: follow the unit's installation guide; surfaces get hot"))
        self.assertEqual(text.count(b"\a"), 1)
        for screen in screens[1:]:
            self.assertIn("its limit in the box is over", screen)  # the line stays
            self.assertIn("OVER ITS LIMIT", screen)
            self.assertIn("between 0 and 40 °C", screen)
        self.assertIsNone(json.loads(self.api("/api/bench"))["bench"])

    def test_5_wrong_requests_are_answered_as_such(self):
        self.assertEqual(self.command("bench", "nobody", "--socket", self.socket).returncode, 2)
        status = ("-o", "/dev/null", "-w", "%{http_code}", "-X", "POST", "-d")
        self.assertEqual(self.api("/api/bench", *status, '{"cameras": "quad"}'), "400")
        self.assertEqual(self.api("/api/bench", *status, '{"cameras": ["nobody"]}'), "422")

    def test_6_no_secret_is_told(self):
        told = (self.folder / "service.log").read_text() + (self.folder / "bench.log").read_text() + self.api("/api/bench")
        self.assertNotIn(PASSWORD, told)


if __name__ == "__main__":
    unittest.main(verbosity=2)
