"""What config/up refuses before it installs, builds or raises anything: one sentence, exit code 2."""

import pathlib
import subprocess
import unittest

UP = pathlib.Path(__file__).resolve().parents[2] / "config" / "up"


class Refusals(unittest.TestCase):
    def refused(self, *words):
        ended = subprocess.run([UP, *words], capture_output=True, text=True, timeout=20)
        self.assertEqual(ended.returncode, 2, ended.stderr)
        self.assertEqual(ended.stdout, "")
        self.assertEqual(ended.stderr.count("\n"), 1, ended.stderr)
        return ended.stderr

    def test_a_port_is_a_number_that_tcp_has(self):
        # RFC 9293, section 3.1: a port has 16 bits; 0 is reserved (RFC 6335, section 6).
        for port in ("banana", "0", "65536", "-1", "7860x", "99999999999999999999", "1 2"):
            self.assertIn("give a number from 1 to 65535", self.refused("--port", port))

    def test_an_option_without_its_value_says_what_it_needs(self):
        for option in ("--port", "--design", "--interface", "--secrets", "--faults"):
            self.assertIn(f"{option} needs ", self.refused(option))
            self.assertIn(f"{option} needs ", self.refused(option, ""))

    def test_a_fault_that_the_demo_does_not_know_is_named(self):
        self.assertIn("there is no fault “banana”; there are: never_up, ", self.refused("--faults", "banana"))
        self.assertIn("there is no fault “banana”", self.refused("--faults", "never_up:wash-bay,banana:x"))


if __name__ == "__main__":
    unittest.main()
