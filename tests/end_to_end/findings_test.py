"""Findings against faults that are really made: a site of 36 units is proven healthy three times over, then broken in every way at
once, and a round must find each cause, once, and nothing else. What each fault is, is in tests/site/every_fault.py."""

import json
import pathlib
import sys
import tempfile
import time
import unittest

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "support"))
sys.path.insert(0, str(HERE.parent / "site"))
import broken_site  # noqa: E402
import every_fault  # noqa: E402
from namespaces import wait_until  # noqa: E402

BIN = sys.argv.pop()
ROOT = HERE.parent.parent
HEALTHY_ROUNDS = 3


def pairs(round_):
    return sorted((f["id"], f["subject"]) for f in round_["findings"])


class Findings(unittest.TestCase):
    maxDiff = None

    @classmethod
    def setUpClass(cls):
        holder = tempfile.TemporaryDirectory(prefix="tallywire-findings-")
        cls.addClassCleanup(holder.cleanup)
        cls.folder = pathlib.Path(holder.name)
        cls.site = broken_site.BrokenSite(cls.folder / "site", BIN, broken_site.design(), ROOT / ".cache/clips")
        cls.addClassCleanup(cls.site.down)
        cls.began = time.monotonic()
        cls.site.up()
        cls.service = broken_site.Service(cls.site, cls.folder, BIN)
        cls.addClassCleanup(cls.service.stop)
        cls.say("the site is up")

    @classmethod
    def say(cls, text):
        print(f"{time.monotonic() - cls.began:5.1f} s: {text}", file=sys.stderr, flush=True)

    def tell(self, round_):
        for f in round_["findings"]:
            print(f"  {f['id']} {f['subject']}\n    {f['sentence']}.\n    Try: {f['next_step']}.", file=sys.stderr)
            for e in f["evidence"]:
                print(f"    - {e}", file=sys.stderr)

    def test_1_a_healthy_site_has_no_findings(self):
        self.service.start(self.site.design_file)
        self.service.wait_for(len(broken_site.UNITS))
        for switch in self.site.plan["switches"]:
            self.site.wait_for_speeds(switch["id"])
        for n in range(HEALTHY_ROUNDS):
            done = self.service.round()
            self.assertEqual(pairs(done), [], json.dumps(done["findings"], indent=1))
            self.assertEqual([v for v in done["verdicts"] if v["verdict"] in ("missed", "unread")], [])
            self.say(f"healthy round {n + 1}")

    def test_2_each_fault_is_found_once_and_nothing_else(self):
        self.service.stop()
        expected = every_fault.everything(self.site)
        self.say("broken")
        thin = self.folder / "thin.json"
        thin.write_text(json.dumps(broken_site.design(uplinks_mbps=broken_site.THIN_MBPS)))
        self.service.start(thin)
        before = self.site.restarts
        self.site.wait_for_speeds("sw-hall")
        self.service.wait_for(len(broken_site.UNITS) - 3)  # without the ones that get no power, were replaced, are at another address
        self.site.change("away")  # switched on while somebody listens: who is silent at an address that nobody knows is not found
        wait_until(lambda: self.site.restarts - before >= 2, 40, "two restarts; the third comes while the round runs")
        self.say("all that can be here is here")
        done = self.service.round()
        self.say("round over")
        self.tell(done)
        self.assertEqual(pairs(done), sorted(expected))
        self.look_at_sentences({(f["id"], f["subject"]): f for f in done["findings"]})

    def test_3_what_everybody_loses_is_lost_on_the_way_to_this_machine(self):
        every_fault.lose_at_the_technician(self.site)
        done = self.service.round("prove", "well", "lossy", "bursts", "mast-1", "mast-2")
        self.tell(done)
        self.assertEqual(pairs(done), [("loss_entry", "switch/sw-hall")])
        self.say("proven")

    def look_at_sentences(self, found):
        """Where to put the ladder: switch and port; and what the unit says itself."""
        port = lambda unit: f"port {self.site.port(unit)} of sw-hall"
        for id_, unit in (("link_below_offer", "pair"), ("duplex_mismatch", "mismatch"), ("link_dirty", "dirty"), ("loss_access", "lossy"),
                          ("power_denied", "denied"), ("clock_off", "clock"), ("open_door", "open"), ("starts_again", "starts")):
            self.assertIn(port(unit), found[id_, f"camera/{unit}"]["sentence"])
        doors = found["open_door", "camera/open"]["evidence"]
        self.assertEqual([door.split(",")[0] for door in doors], ["ONVIF", "RTSP"])
        follows = lambda id_, subject: [e for e in found[id_, subject]["evidence"] if e.startswith("so also: ")]
        self.assertEqual(len(follows("units_swapped", "camera/swap-a")), 2)
        self.assertEqual(len(follows("other_unit_on_port", "camera/replaced")), 2)
        self.assertIn("4-5 or 7-8", found["link_below_offer", "camera/pair"]["sentence"])
        stream = lambda id_, unit: found[id_, f"camera/{unit}/head/1/stream/main"]["sentence"]
        self.assertIn("the unit itself says that it is set so", stream("stream_gop", "gop"))
        self.assertIn("does not send so", stream("stream_frame_rate", "untrue"))
        self.assertIn("picture size, frame rate and key-frame interval", stream("stream_set_otherwise", "many"))


if __name__ == "__main__":
    unittest.main(verbosity=2, warnings="ignore")  # processes that site.py started are ended by their ids
