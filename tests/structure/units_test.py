"""The units in systemd/ as systemd itself judges them: systemd-analyze verify with the built programs in place, and
systemd-analyze security --offline, whose exposure figure (0 closed, 10 open) must stay where the docs say."""

import pathlib
import re
import subprocess
import sys
import tempfile
import unittest

BIN = pathlib.Path(sys.argv.pop()).resolve()
SOURCE = pathlib.Path(sys.argv.pop()).resolve()
# Largest exposure; the service needs CAP_NET_RAW and the network.
EXPOSURE = {"tallywired.service": 2.0}


class Units(unittest.TestCase):
    def setUp(self):
        folder = tempfile.TemporaryDirectory(prefix="tallywire-units-")
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)
        for unit in (SOURCE / "systemd").iterdir():
            text = unit.read_text()
            for program in ("tallywired", "tallywire"):
                text = re.sub(rf"ExecStart=/usr/bin/{program}\b", f"ExecStart={BIN / program}", text)
            text = text.replace("file:/usr/share/doc/tallywire/README.md", f"file:{SOURCE}/README.md")
            (self.folder / unit.name).write_text(text)

    def test_systemd_finds_nothing_to_say(self):
        units = sorted(str(u) for u in self.folder.iterdir() if u.suffix in (".service", ".timer"))
        self.assertEqual(len(units), 1)
        done = subprocess.run(["systemd-analyze", "verify", "--man=no", *units], capture_output=True, text=True, timeout=60)
        ours = [line for line in (done.stdout + done.stderr).splitlines() if "tallywire" in line]
        self.assertEqual(ours, [])
        self.assertEqual(done.returncode, 0, done.stderr)

    def test_a_wrong_unit_would_be_found(self):
        broken = self.folder / "tallywired.service"
        broken.write_text(broken.read_text().replace("Type=notify", "Type=sometimes"))
        done = subprocess.run(["systemd-analyze", "verify", "--man=no", broken], capture_output=True, text=True, timeout=60)
        self.assertIn("sometimes", done.stdout + done.stderr)

    def test_they_stay_as_closed_as_the_docs_say(self):
        for name, most in EXPOSURE.items():
            done = subprocess.run(["systemd-analyze", "security", "--offline=true", "--no-pager", self.folder / name],
                                  capture_output=True, text=True, timeout=60)
            found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
            self.assertIsNotNone(found, done.stdout + done.stderr)
            self.assertLess(float(found[1]), most, name)
            print(f"{name}: exposure {found[1]}")


if __name__ == "__main__":
    unittest.main(verbosity=2)
