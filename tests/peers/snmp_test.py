"""SNMP v2c and v3 against snmpd, which nobody here wrote; the truth is what snmpget and snmpwalk say of the same agent."""

import json
import os
import pathlib
import sys
import tempfile
import time
import unittest

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "support"))
from namespaces import Namespaces, wait_until  # noqa: E402

BIN = sys.argv.pop()
AGENT, UPTIME = "127.0.0.1", ".1.3.6.1.2.1.1.3.0"
CONFIGURATION = f"""agentaddress udp:{AGENT}:161
rocommunity tramdepot
rocommunity limited default -V system_only
view system_only included .1.3.6.1.2.1.1
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
        secrets = pathlib.Path(cls.folder.name, "secrets.json")
        secrets.touch(0o600)
        v3 = {"user": "tram", "auth_protocol": "SHA", "privacy_protocol": "AES"}
        secrets.write_text(json.dumps({
            "right": {"community": "tramdepot"}, "wrong": {"community": "tramdepott"}, "limited": {"community": "limited"},
            "keys": {**v3, "auth_password": "four rails", "privacy_password": "five rails"},
            "other-keys": {**v3, "auth_password": "four nails", "privacy_password": "five rails"}}))
        cls.secrets = secrets
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

    def switch(self, secret, *more):
        done = self.ns.run("agent", f"{BIN}/tallywire", "switch", AGENT, "--snmp", secret, "--json", "--alone", "--secrets", self.secrets,
                           *more, check=False, timeout=60)
        return done.returncode, json.loads(done.stdout)

    def walk(self, column):
        """index -> value of one column, as snmpwalk prints it."""
        lines = self.ns.run("agent", "snmpwalk", "-v2c", "-c", "tramdepot", "-Oqne", AGENT, column).stdout.splitlines()
        return {line.split(" ", 1)[0].rsplit(".", 1)[1]: line.split(" ", 1)[1].strip('"') for line in lines}

    def test_ports_are_as_snmpwalk_shows_them(self):
        code, answer = self.switch("right")
        names, states = self.walk(".1.3.6.1.2.1.31.1.1.1.1"), self.walk(".1.3.6.1.2.1.2.2.1.8")
        told = {1: "up", 2: "down"}  # RFC 2863, ifOperStatus
        self.assertEqual({p["name"]: p["link_state"] for p in answer["ports"]}, {names[i]: told.get(int(states[i])) for i in names})
        self.assertTrue(names)
        # This agent is no bridge and delivers no power: unread for these tables alone, and the exit code says so.
        self.assertEqual(code, 3)
        self.assertTrue({"learnt_addresses", "power", "lldp_mib"} <= set(answer["unread"]), answer["unread"])
        self.assertNotIn("if_mib", answer["unread"])

    def test_a_wrong_community_is_silence_within_its_limit(self):
        started = time.monotonic()
        code, answer = self.switch("wrong")
        self.assertEqual((code, answer["error"]["kind"]), (3, "timed_out"))
        self.assertLess(time.monotonic() - started, 10)

    def test_an_agent_that_shows_only_its_name_leaves_its_tables_unread(self):
        code, answer = self.switch("limited")
        self.assertEqual(code, 3)
        self.assertEqual(answer["ports"], [])
        self.assertIn("if_mib", answer["unread"])
        self.assertTrue(answer["sys_descr"])

    def test_v3_keys_open_the_switch_and_wrong_ones_are_refused(self):
        self.assertEqual(self.switch("keys")[1]["sys_descr"], self.switch("right")[1]["sys_descr"])
        code, answer = self.switch("other-keys")
        self.assertEqual((code, answer["error"]["kind"]), (3, "refused"))
        self.assertIn("login refused", answer["error"]["what"])

    def test_a_port_where_nobody_listens_and_a_secret_that_is_not_there(self):
        code, answer = self.switch("right", "--port", "1161")
        self.assertEqual(code, 3)
        self.assertIn(answer["error"]["kind"], ("timed_out", "unreachable"))
        code, answer = self.switch("nobody")
        self.assertEqual((code, answer["error"]["kind"]), (2, "bad_request"))


if __name__ == "__main__":
    unittest.main(verbosity=2)
