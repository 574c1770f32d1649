"""The page of a real tallywired in a real headless Chromium: units behind a switch's bridge in namespaces come, are unplugged and
turn lost, without a reload; a witness point is ticked with a name, and the service keeps it."""

import json
import os
import pathlib
import signal
import socket
import subprocess
import sys
import tempfile
import unittest

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "support"))
from browser import PHONE, Browser, axe_source  # noqa: E402
from namespaces import Namespaces, run, wait_until  # noqa: E402

BIN = sys.argv.pop()
RUN_INSIDE = HERE.parent / "site" / "run_inside.py"
UNITS = {"north": ("198.51.100.36", "02:00:5e:10:00:36"), "south": ("198.51.100.37", "02:00:5e:10:00:37")}
SILENT_S = 10  # the least that a design may say


def design():
    stream = {"id": "main", "codec": "H264", "width_px": 320, "height_px": 240, "frame_rate_hz": 5, "bit_rate_kbps": 100, "path": "/1"}
    cameras = [{"id": unit, "place": f"Gate {unit}", "switch": "sw", "port": f"p{n}", "hardware_address": mac, "address": address, "link_speed_mbps": 1000,
                "bench_limit_s": 1800, "heads": [{"id": "1", "streams": [stream]}]} for n, (unit, (address, mac)) in enumerate(UNITS.items(), 1)]
    return {"format": 1, "site": {"name": "Two gates"}, "limits": {"lost_after_s": SILENT_S},
            "switches": [{"id": "sw", "place": "Cabinet", "address": "198.51.100.2", "ports": ["p1", "p2", "p3", "up"],
                          "uplinks": [{"id": "up", "port": "up", "to": "core", "speed_mbps": 1000}]}], "cameras": cameras}


def free_port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


class Board(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.ns = cls.enterClassContext(Namespaces("switch", "laptop", *UNITS))
        cls.folder = pathlib.Path(cls.enterClassContext(tempfile.TemporaryDirectory(prefix="tallywire-board-")))
        switch = cls.ns.name("switch")
        run("ip", "-n", switch, "link", "add", "name", "br0", "type", "bridge")
        run("ip", "-n", switch, "link", "set", "dev", "br0", "up")
        cls.ns.cable("switch", "laptop", name_a="p3", address_b="198.51.100.5/24")
        for n, (unit, (address, mac)) in enumerate(UNITS.items(), 1):
            cls.ns.cable("switch", unit, name_a=f"p{n}", mac_b=mac, address_b=f"{address}/24")
            run("ip", "-n", cls.ns.name(unit), "link", "set", "dev", "eth0", "down")  # no power yet
        for port in ("p1", "p2", "p3"):
            run("ip", "-n", switch, "link", "set", "dev", port, "master", "br0")
        cls.start_service()
        cls.axe = axe_source(pathlib.Path(BIN).parent / "npm")
        cls.browser = cls.enterClassContext(Browser())
        cls.browser.look()
        cls.browser.open(cls.address)

    @classmethod
    def start_service(cls):
        (cls.folder / "site.json").write_text(json.dumps(design()))
        log = cls.folder / "service.log"
        cls.port = getattr(cls, "port", None) or free_port()
        cls.address = f"http://127.0.0.1:{cls.port}/"
        with open(log, "w") as out:
            cls.service = subprocess.Popen(
                ["/usr/bin/python3", RUN_INSIDE, cls.ns.name("laptop"), str(cls.port), f"{BIN}/tallywired",
                 "--design", cls.folder / "site.json", "--interface", "eth0", "--record", cls.folder / "record",
                 "--socket", cls.folder / "tallywired.sock"], stderr=out, stdin=subprocess.DEVNULL, start_new_session=True)
        cls.addClassCleanup(cls.end_service)
        wait_until(lambda: cls.service.poll() is not None or "the page is on" in log.read_text(), 20, "the service")
        assert cls.service.poll() is None, log.read_text()

    @classmethod
    def end_service(cls):
        if cls.service.poll() is None:
            os.killpg(cls.service.pid, signal.SIGTERM)
            cls.service.wait(20)

    def api(self, path):
        return json.loads(run("curl", "-sS", "--max-time", "10", f"{self.address}api/{path}").stdout)

    def power(self, unit, how):
        run("ip", "-n", self.ns.name(unit), "link", "set", "dev", "eth0", how)
        if how == "up":  # a unit that speaks IPv6 alone is not asked whether it is still here
            self.ns.run(unit, "ping", "-c", "1", "-W", "1", "198.51.100.5", check=False)

    def drawn(self, unit):
        """What the riser says of it, and whether this is the page that was opened first."""
        return self.browser.run("return document.querySelector(`[data-unit='${arguments[0]}'] .told`)?.textContent", unit)

    def in_roll(self, unit):
        return self.browser.run("""return [...document.querySelectorAll('#roll tbody tr')]
            .find((r) => r.children[0].textContent === arguments[0])?.children[1].textContent""", unit)

    def test_1_all_are_awaited_and_arrivals_appear_without_a_reload(self):
        wait_until(lambda: self.drawn("north") == "awaited", 15, "the riser")
        self.assertEqual(self.browser.text("#site"), "Two gates")
        self.browser.run("window.opened = true")
        for unit in UNITS:
            self.power(unit, "up")
        for unit in UNITS:
            wait_until(lambda: self.drawn(unit) == "arrived" and self.in_roll(unit) == "arrived", 15, unit)
        wait_until(lambda: "arrived" in self.browser.run("return document.querySelector('#said').textContent"), 5, "said to a screen reader")
        self.assertTrue(self.browser.run("return window.opened"))

    def test_2_an_unplugged_unit_turns_lost_and_comes_back(self):
        self.power("north", "down")
        wait_until(lambda: self.drawn("north") == "lost" and self.in_roll("north") == "lost", 20, "lost")
        self.assertEqual(self.drawn("south"), "arrived")
        self.power("north", "up")
        wait_until(lambda: self.drawn("north") == "arrived", 15, "back")
        self.assertTrue(self.browser.run("return window.opened"))

    def test_3_a_point_is_ticked_with_a_name_and_the_service_keeps_it(self):
        self.browser.look(PHONE)
        self.browser.run("location.hash = '#/unit/north'")
        wait_until(lambda: self.browser.text("#points [role=status]"), 10, "the unit's points")
        put = "const [id, words] = arguments, e = document.getElementById(id); e.value = words; e.dispatchEvent(new Event('change'))"
        by_hand = not self.browser.run("return document.querySelector('#points form').hidden")  # the service lists no points
        if by_hand:
            self.browser.run(put, "new-point", "lanyard hooked")
        button = "#points form button" if by_hand else "#points .points li .tick button"
        words = "lanyard hooked" if by_hand else self.browser.text("#points .points li .what")
        tick = lambda: self.browser.run("document.querySelector(arguments[0]).click()", button)
        tick()  # nobody's name: nothing is ticked, and the page says why
        wait_until(lambda: "your name" in self.browser.text("#fault"), 5, "the question for a name")
        self.assertEqual(self.api("witnesses")["witnesses"], [])
        self.browser.run(put, "own-name", "A. Tester")
        tick()
        wait_until(lambda: "by A. Tester" in self.browser.text("#points .points"), 10, "the point")
        kept, = self.api("witnesses")["witnesses"]
        self.assertTrue(kept["subject"].startswith("camera/north"))
        self.assertEqual(kept["by"], "A. Tester")
        if by_hand:
            self.assertEqual(kept["point"], words)
        self.browser.open(f"{self.address}#/witness")
        self.browser.driver.refresh()
        wait_until(lambda: "by A. Tester" in self.browser.text(".points") and words in self.browser.text(".points"), 10, "the point among all")
        self.assertEqual(self.browser.run("return document.getElementById('own-name').value"), "A. Tester")  # remembered

    def test_4_a_round_is_run_from_the_page_and_its_progress_shown(self):
        self.browser.look()
        self.browser.run("location.hash = '#/'")
        wait_until(lambda: self.browser.find("#start"), 10, "the site")
        self.browser.run("document.getElementById('start').click()")
        wait_until(lambda: self.browser.find(".runs progress"), 10, "the progress")
        self.browser.run("document.querySelector('.runs .end').click()")
        wait_until(lambda: not self.browser.find(".runs progress"), 20, "its end")
        self.assertEqual(self.api("rounds/latest")["state"], "cancelled")

    def test_4b_the_tick_stands_on_the_sheet(self):
        kept, = self.api("witnesses")["witnesses"]
        text, = [p["text"] for p in self.api("witness_points")["points"] if (p["subject"], p["point"]) == (kept["subject"], kept["point"])]
        newest = self.api("rounds/latest")["round"]
        self.browser.open(f"{self.address}api/sheet?round={newest}")
        sheet = self.browser.run("return document.body.textContent")
        self.assertIn(text, sheet)
        self.assertIn("A. Tester", sheet)
        self.assertEqual(self.browser.run("return getComputedStyle(document.querySelector('table.head')).borderCollapse"), "collapse")  # its look came along
        self.browser.open(self.address)
        wait_until(lambda: self.drawn("north") == "arrived", 15, "the riser again")

    def test_5_the_page_finds_the_service_again_after_it_was_away(self):
        self.browser.run("window.opened = true")
        self.end_service()
        wait_until(lambda: "does not answer" in self.browser.text("#service"), 15, "the page says so")
        self.power("south", "down")
        type(self).start_service()
        wait_until(lambda: "Live" in self.browser.text("#service"), 30, "the feed")
        wait_until(lambda: self.drawn("south") in ("lost", "awaited") and self.drawn("north") == "arrived", 30, "what is so now")
        self.assertTrue(self.browser.run("return window.opened"))

    def test_6_axe_finds_nothing_on_the_real_page(self):
        self.assertEqual(self.browser.violations(self.axe), [])
        self.assertEqual([a for a in self.browser.requests() if not a.startswith((self.address, "data:", "about:", "chrome"))], [])


if __name__ == "__main__":
    unittest.main(verbosity=2)
