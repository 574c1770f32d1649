"""What a service that runs no round learns from its switches: the port of a stranger, a unit whose port lost its link, and
what it logs of a switch that is silent or refuses the login. The switch is a bridge of the kernel behind Net-SNMP's snmpd;
its learnt addresses are the bridge's own (RFC 4188), its link states those of IF-MIB (RFC 2863).

  box: tallywired -- tech sw: bridge, snmpd  p1 -- unit
                                             p2 -- guest"""

import json
import pathlib
import sys
import tempfile
import time
import unittest

HERE = pathlib.Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent / "support"), str(HERE.parent / "site")]
import switch_mibs  # noqa: E402
from api_test import Service  # noqa: E402
from namespaces import Namespaces, wait_until  # noqa: E402

UNIT, GUEST = "02:00:5e:10:00:31", "02:00:5e:10:00:99"
OPEN, SHUT = "198.51.100.2", "198.51.100.8"
LOOK_S = 10  # the shortest there is
SWITCH = {"ports": ["p1", "p2", "tech"], "snmp": {"version": "2c", "secret": "switches", "udp_port": 161}}


def v3(name):
    return {"version": "3", "secret": name, "udp_port": 161}


DESIGN = {
    "format": 1, "site": {"name": "Sand store"}, "limits": {"lost_after_s": 600},  # silence alone makes nobody lost here
    "switches": [{"id": "sw", "address": "198.51.100.2", **SWITCH}, {"id": "dark", "address": "198.51.100.7", **SWITCH},
                 {"id": "shut", "address": "198.51.100.8", "ports": ["p1"], "snmp": v3("wrong")}],
    "cameras": [{"id": "gate", "switch": "sw", "port": "p1", "hardware_address": UNIT, "address": "198.51.100.31",
                 "link_speed_mbps": 100, "heads": [{"id": "1", "streams": [{"id": "main", "codec": "H264", "width_px": 640,
                 "height_px": 360, "frame_rate_hz": 25, "bit_rate_kbps": 2000, "path": "/main"}]}]}],
}


class SwitchLooks(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        holder = tempfile.TemporaryDirectory(prefix="tallywire-looks-")
        cls.addClassCleanup(holder.cleanup)
        cls.folder = folder = pathlib.Path(holder.name)
        cls.ns = ns = Namespaces("box", "sw", "unit", "guest").__enter__()
        cls.addClassCleanup(ns.__exit__)
        ns.run("sw", "ip", "link", "add", "br0", "type", "bridge")
        ns.cable("sw", "box", "tech", "eth0", address_b="198.51.100.20/24")
        ns.cable("sw", "unit", "p1", "eth0", address_b="198.51.100.31/24", mac_b=UNIT)
        ns.cable("sw", "guest", "p2", "eth0", address_b="198.51.100.99/24", mac_b=GUEST)
        for port in ("tech", "p1", "p2"):
            ns.run("sw", "ip", "link", "set", "dev", port, "master", "br0")
        for address in ("198.51.100.2/24", "198.51.100.8/24"):
            ns.run("sw", "ip", "address", "add", address, "dev", "br0")
        ns.run("sw", "ip", "link", "set", "dev", "br0", "up")
        counted = "; ".join(f"add rule inet looks in ip daddr {a} udp dport 161 counter" for a in (OPEN, SHUT))
        ns.run("sw", "nft", f"add table inet looks; add chain inet looks in {{ type filter hook input priority 0; }}; {counted}")
        cls.start_snmpd(folder)
        (folder / "design.json").write_text(json.dumps(DESIGN))
        (folder / "secrets.json").touch(0o600)
        (folder / "secrets.json").write_text(json.dumps({
            "switches": {"community": "tram"},
            "wrong": {"user": "reader", "auth_protocol": "SHA", "auth_password": "not-the-right-one",
                      "privacy_protocol": "AES", "privacy_password": "not-the-right-one"}}))
        cls.service = Service(ns, folder, {"switch_looks_s": LOOK_S}, design=folder / "design.json", interface="eth0").up()
        cls.addClassCleanup(lambda: cls.service.process.poll() is None and cls.service.end())

    @classmethod
    def start_snmpd(cls, folder):
        (folder / "tables.json").write_text(json.dumps({"name": "sw", "speeds_mbps": {}, "power_classes": {}, "power_budget_w": None}))
        served = "".join(f"pass_persist {tree} /usr/bin/python3 {HERE.parent}/site/switch_mibs.py {folder}/tables.json\n"
                         for tree in switch_mibs.SUBTREES)
        (folder / "snmpd.conf").write_text("agentaddress udp:198.51.100.2:161,udp:198.51.100.8:161\nrocommunity tram 198.51.100.0/24\n"
                                           "createUser reader SHA the-right-one-1 AES the-right-one-2\nrouser reader priv\n"
                                           f"sysname sw\n{served}")
        cls.ns.start("sw", "env", f"SNMP_PERSISTENT_DIR={folder}", "MIBS=", "snmpd", "-f", "-Lf", folder / "snmpd.log", "-C", "-c",
                     folder / "snmpd.conf", "-p", folder / "snmpd.pid", "-I", "-smux,mteTrigger,mteTriggerConf")

    def roll(self):
        return json.loads(self.service.by_socket("/api/roll").stdout)

    def asked(self, address):
        """Questions that reached the agent at this address."""
        rules = json.loads(self.ns.run("sw", "nft", "-j", "list", "table", "inet", "looks").stdout)["nftables"]
        told = [[e["counter"]["packets"] for e in r["rule"]["expr"] if "counter" in e] for r in rules
                if "rule" in r and address in json.dumps(r)]
        return told[0][0]

    def speak(self, who):
        self.ns.run(who, "ping", "-c", "1", "-W", "1", "198.51.100.20", check=False)

    def test_the_switch_tells_without_a_round(self):
        for who in ("unit", "guest"):
            self.speak(who)
        gate = lambda: self.roll()["cameras"][0]
        wait_until(lambda: gate()["presence"] == "arrived", 5, "the unit")
        guest = lambda: next((s for s in self.roll()["strangers"] if s["hardware_address"] == GUEST), {})
        wait_until(lambda: guest().get("seen_on") == "sw/p2" and gate()["seen_on"] == "sw/p1", 15, "the ports")
        self.ns.run("unit", "ip", "link", "set", "dev", "eth0", "down")
        lost = wait_until(lambda: gate()["presence"] == "lost" and gate(), 20, "the unit's loss")
        self.assertEqual(lost["reason"], "its port sw/p1 has no link")
        self.assertEqual(json.loads(self.service.by_socket("/api/rounds").stdout)["rounds"], [])
        # A whole look more: the silent one is asked and not told of again, the one that refused is not asked.
        asked = {switch: self.asked(switch) for switch in (SHUT, OPEN)}
        self.assertGreater(asked[SHUT], 0)
        time.sleep(LOOK_S + 6)
        self.assertGreater(self.asked(OPEN), asked[OPEN])
        self.assertEqual(self.asked(SHUT), asked[SHUT])
        said = self.service.said()
        self.assertEqual(said.count("switch dark could not be looked at"), 1, said)
        self.assertEqual(said.count("switch shut is not asked again"), 1, said)
        self.assertNotIn("not-the-right-one", said)
        begun = time.monotonic()
        self.service.end()
        self.assertLess(time.monotonic() - begun, 15)
        self.assertEqual(self.service.process.returncode, 0)


if __name__ == "__main__":
    unittest.main()
