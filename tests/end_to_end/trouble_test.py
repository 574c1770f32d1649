"""Units in trouble: one that refuses the login, one that accepts and says nothing, one with no port open, one that is not there.
Each is unread for its own reason and within its limit; a refused password is tried once; everything else is proven."""

import json
import pathlib
import signal
import subprocess
import sys
import tempfile
import time
import unittest

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "support"))
from namespaces import run, wait_until  # noqa: E402

BIN = sys.argv.pop()
SITE = HERE.parent / "site" / "site.py"
ABSENT, REFUSING, SILENT, CLOSED = "wash-bay", "yard-mast", "gate-north", "workshop"


class Trouble(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory(prefix="tallywire-trouble-")
        cls.addClassCleanup(cls.folder.cleanup)
        cls.root = pathlib.Path(cls.folder.name)
        cls.addClassCleanup(run, "/usr/bin/python3", SITE, "down", "--state", cls.root / "site", check=False)
        faults = f"never_up:{ABSENT},other_login:{REFUSING},silent:{SILENT},closed:{CLOSED}"
        run("/usr/bin/python3", SITE, "up", "--state", cls.root / "site", "--bin", BIN, "--faults", faults,
            "--first-after", "0", "--every", "0.05")
        cls.state = json.loads((cls.root / "site" / "state.json").read_text())
        cls.design = json.loads(pathlib.Path(cls.state["design"]).read_text())
        cls.inside = ["ip", "netns", "exec", cls.state["namespaces"]["technician"]]
        for switch in cls.design["switches"]:
            wait_until(lambda: cls.shows_its_speed(switch), 60, f"snmpd of {switch['id']}")
        cls.round_alone()

    @classmethod
    def shows_its_speed(cls, switch):
        """snmpd shows the port's own speed only from its second look at the interfaces on."""
        done = subprocess.run([*cls.inside, f"{BIN}/tallywire", "switch", switch["address"], "--snmp", switch["snmp"]["secret"], "--json", "--alone",
                               "--secrets", cls.state["secrets"]], capture_output=True, text=True, timeout=60)
        ports = {p["name"]: p["link_speed_bps"] for p in json.loads(done.stdout).get("ports", [])}
        return ports.get("p1") == 1_000_000_000

    @classmethod
    def round_alone(cls):
        """The whole site without a service, while tcpdump listens to what is sent to the unit that refuses."""
        refusing = next(c["address"] for c in cls.design["cameras"] if c["id"] == REFUSING)
        cls.capture = cls.root / "refusing.pcap"
        dump = subprocess.Popen([*cls.inside, "tcpdump", "-U", "-i", "eth0", "-w", cls.capture, f"tcp and dst host {refusing}"],
                                stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            wait_until(cls.capture.exists, 10, "tcpdump")
            started = time.monotonic()
            cls.done = subprocess.run([*cls.inside, f"{BIN}/tallywire", "round", "--alone", "--json", "--design", cls.state["design"], "--secrets",
                                       cls.state["secrets"], "--interface", "eth0"], capture_output=True, text=True, timeout=200)
            cls.took_s = time.monotonic() - started
        finally:
            dump.send_signal(signal.SIGTERM)
            dump.wait(10)
        cls.round = json.loads(cls.done.stdout)

    def verdicts(self, camera):
        return [v for v in self.round["verdicts"] if v["subject"].split("/")[:2] == ["camera", camera]]

    def streams(self, camera):
        return [v for v in self.verdicts(camera) if "/stream/" in v["subject"]]

    def test_the_rest_of_the_round_is_unhurt(self):
        for camera in self.design["cameras"]:
            if camera["id"] in (ABSENT, REFUSING, SILENT, CLOSED):
                continue
            wrong = [v for v in self.verdicts(camera["id"]) if v["verdict"] not in ("met", "tight")]
            self.assertEqual(wrong, [], camera["id"])
            self.assertTrue(self.streams(camera["id"]))

    def test_what_is_only_unread_is_not_missed(self):
        missed = {(v["subject"], v["quantity"]) for v in self.round["verdicts"] if v["verdict"] == "missed"}
        self.assertEqual(missed, {(f"camera/{ABSENT}", "presence")})
        self.assertEqual(self.done.returncode, 1)

    def test_a_refused_login_is_unread_and_told_once(self):
        for v in self.streams(REFUSING):
            self.assertEqual(v["verdict"], "unread")
            self.assertIn("login refused", v["reason"])
        told = [f for f in self.round["findings"] if f["id"] == "login_refused"]
        self.assertEqual([f["subject"] for f in told], [f"camera/{REFUSING}"])

    def test_a_refused_password_is_not_tried_again(self):
        # Whatever carries the password's digest: RTSP (RFC 7616) or SOAP (WS-Security), as tshark finds it on the wire.
        shown = 'frame contains "Authorization: Digest" or frame contains "PasswordDigest"'
        tried = run("tshark", "-r", self.capture, "-Y", shown, "-T", "fields", "-e", "tcp.dstport").stdout.split()
        self.assertEqual(sorted(tried), ["554", "80"])  # once at each of its doors, though it has two streams

    def test_silence_ends_within_its_limit(self):
        for v in self.streams(SILENT):
            self.assertEqual(v["verdict"], "unread")
            self.assertRegex(v["reason"], "took longer than|not there")
        self.assertLess(self.took_s, 120)

    def test_a_closed_port_is_told_as_such(self):
        for v in self.streams(CLOSED):
            self.assertEqual(v["verdict"], "unread")
            self.assertRegex(v["reason"].lower(), "refuses connections")

    def test_no_secret_is_told(self):
        secrets = json.loads(pathlib.Path(self.state["secrets"]).read_text())
        self.assertNotIn(secrets["cameras"]["password"], self.done.stdout + self.done.stderr)


if __name__ == "__main__":
    unittest.main(verbosity=2)
