"""SNMP v3 against snmpd, which nobody here wrote; the truth is what snmpget says of the same agent."""

import os
import pathlib
import sys
import tempfile
import unittest

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "support"))
from namespaces import Namespaces, wait_until  # noqa: E402

BIN = sys.argv.pop()
AGENT, UPTIME = "127.0.0.1", ".1.3.6.1.2.1.1.3.0"
CONFIGURATION = f"""agentaddress udp:{AGENT}:161
rocommunity tramdepot
createUser tram SHA "four rails" AES "five rails"
rouser tram authpriv
"""


class Snmp(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory(prefix="tallywire-snmp-")
        file = pathlib.Path(cls.folder.name, "snmpd.conf")
        file.write_text(CONFIGURATION)
        cls.ns = Namespaces("agent").__enter__()
        cls.ns.start("agent", "env", f"SNMP_PERSISTENT_DIR={cls.folder.name}/state", "snmpd", "-f", "-Lf",
                     f"{cls.folder.name}/log", "-C", "-c", file, "-I", "-smux")
        wait_until(lambda: cls.ns.run("agent", "snmpget", "-v2c", "-c", "tramdepot", "-r0", "-t1", AGENT, UPTIME,
                                      check=False).returncode == 0, 20, "snmpd")

    @classmethod
    def tearDownClass(cls):
        cls.ns.__exit__()
        cls.folder.cleanup()

    def snmpget(self, user, auth, privacy):
        done = self.ns.run("agent", "snmpget", "-v3", "-l", "authPriv", "-u", user, "-a", "SHA", "-A", auth, "-x", "AES",
                           "-X", privacy, "-r0", "-t2", AGENT, UPTIME, check=False)
        return done.stdout + done.stderr

    def test_snmpget_finds_the_agent_as_the_probe_must(self):
        self.assertIn("Timeticks", self.snmpget("tram", "four rails", "five rails"))
        self.assertIn("Authentication failure", self.snmpget("tram", "four nails", "five rails"))
        self.assertIn("Timeout", self.snmpget("tram", "four rails", "five nails"))
        self.assertIn("Unknown user name", self.snmpget("nobody", "four rails", "five rails"))

    def test_right_wrong_right_in_one_process(self):
        done = self.ns.run("agent", "env", f"TALLYWIRE_SNMP_AGENT={AGENT}", "timeout", "30", os.path.join(BIN, "link_tests"),
                           "[.agent]", check=False)
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)
        self.assertIn("All tests passed", done.stdout)


if __name__ == "__main__":
    unittest.main(verbosity=2)
