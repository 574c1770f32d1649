"""This machine's port: what `tallywire link` says beside what ethtool, ip and lldpd say, which nobody here wrote."""

import json
import os
import sys
import tempfile
import pathlib
import unittest

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "support"))
from namespaces import Namespaces, wait_until  # noqa: E402

BIN = sys.argv.pop()


class Link(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.ns = Namespaces("here", "there").__enter__()
        cls.ns.cable("here", "there", "eth0", "eth0", mac_b="02:00:5e:10:01:01")
        cls.ns.run("here", "ip", "tuntap", "add", "dev", "tap0", "mode", "tap")
        cls.ns.run("here", "ip", "link", "set", "dev", "tap0", "up")

    @classmethod
    def tearDownClass(cls):
        cls.ns.__exit__()

    def link(self, interface, *more):
        done = self.ns.run("here", f"{BIN}/tallywire", "link", interface, "--json", "--alone", *more, check=False, timeout=90)
        return done.returncode, json.loads(done.stdout)

    def ethtool(self, interface):
        lines = self.ns.run("here", "ethtool", interface).stdout.splitlines()
        return {k.strip(): v.strip() for k, _, v in (line.partition(":") for line in lines)}

    def test_a_veth_runs_at_10000_full_as_ethtool_says(self):
        shown = self.ethtool("eth0")
        self.assertEqual((shown["Speed"], shown["Duplex"]), ("10000Mb/s", "Full"))
        port = self.link("eth0", "--seconds", "0")[1]["ports"][0]
        self.assertEqual((port["link_speed_bps"], port["duplex"], port["negotiation"]), (10**10, "full", "off"))
        self.assertEqual(port["unread"]["neighbour"], "it was not waited for")
        self.assertIn("peer_modes", port["unread"])
        self.assertIsNone(port["offered_speed_bps"])

    def test_speed_and_duplex_that_were_set_are_read_and_half_duplex_is_told(self):
        for speed, duplex in ((100, "half"), (1000, "full"), (10, "half")):
            self.ns.run("here", "ethtool", "-s", "tap0", "speed", str(speed), "duplex", duplex)
            port = self.link("tap0", "--seconds", "0")[1]["ports"][0]
            self.assertEqual((port["link_speed_bps"], port["duplex"]), (speed * 10**6, duplex))
            self.assertEqual([f["id"] for f in port["findings"]], ["half_duplex"] if duplex == "half" else [])

    def test_counters_and_downs_are_those_of_ip(self):
        self.ns.run("there", "ip", "link", "set", "dev", "eth0", "down")
        self.ns.run("there", "ip", "link", "set", "dev", "eth0", "up")
        wait_until(lambda: "LOWER_UP" in self.ns.run("here", "ip", "link", "show", "eth0").stdout, 10, "the link")
        port = self.link("eth0", "--seconds", "0")[1]["ports"][0]
        shown = json.loads(self.ns.run("here", "ip", "-j", "-s", "-s", "link", "show", "eth0").stdout)[0]
        self.assertGreaterEqual(port["link_downs"], 1)
        self.assertEqual(port["link_downs"], int(self.ns.run("here", "cat", "/sys/class/net/eth0/carrier_down_count").stdout))
        self.assertEqual(port["counters"]["fcs_errors"], shown["stats64"]["rx"]["crc_errors"])
        self.assertEqual(port["counter_sources"]["fcs_errors"], "kernel (rx_crc_errors)")
        self.assertEqual(port["mtu_bytes"], shown["mtu"])
        self.assertEqual(port["hardware_address"], shown["address"])

    def test_the_cable_test_is_asked_for_by_name_and_its_lack_is_told(self):
        self.assertIn("not supported", self.ns.run("here", "ethtool", "--cable-test", "eth0", check=False).stderr)
        code, answer = self.link("eth0", "--seconds", "0", "--cable-test")
        port = answer["ports"][0]
        self.assertEqual((code, port["cable_test"]), (3, None))
        self.assertIn("no cable test", port["unread"]["cable_test"])
        self.assertNotIn("cable_test", self.link("eth0", "--seconds", "0")[1]["ports"][0])
        done = self.ns.run("here", f"{BIN}/tallywire", "link", "--cable-test", "--alone", check=False, timeout=30)
        self.assertEqual(done.returncode, 2)
        self.assertIn("which port", done.stderr)
        told = self.ns.run("here", f"{BIN}/tallywire", "link", "--help").stdout
        self.assertIn("TAKES THE LINK DOWN", told)

    def test_you_are_on_switch_port_as_lldpd_announces_it(self):
        with tempfile.TemporaryDirectory(prefix="tallywire-lldp-") as folder:
            pathlib.Path(folder).chmod(0o755)
            socket = os.path.join(folder, "socket")
            process = self.ns.start("there", "lldpd", "-d", "-u", socket, "-S", "a demo switch")
            wait_until(lambda: self.ns.run("there", "lldpcli", "-u", socket, "show", "chassis", check=False).returncode == 0, 20, "lldpd")
            for words in (("configure", "system", "hostname", "sw-hall"), ("configure", "lldp", "portidsubtype", "ifname"),
                          ("configure", "lldp", "tx-interval", "1")):
                self.ns.run("there", "lldpcli", "-u", socket, *words)
            neighbour = self.link("eth0", "--seconds", "10")[1]["ports"][0]["neighbour"]
            done = self.ns.run("here", f"{BIN}/tallywire", "link", "eth0", "--seconds", "10", "--alone", check=False, timeout=30)
            self.ns.end(process)
        self.assertEqual((neighbour["system_name"], neighbour["port_id"]), ("sw-hall", "eth0"))
        self.assertIn("you are on switch sw-hall, port eth0", done.stdout)

    def test_what_the_neighbour_offers_is_taken_from_its_frame(self):
        """IEEE 802.1AB §8.5 and 802.3 §79.3.1: 10 and 100 half and full, 1000 full; running 1000BASE-T full (MAU 30)."""
        frame = ("0180c200000e 02005e100101 88cc 020704 020000000001 040605 706f727437 06020078 fe0900120f01036c01001e 0000").replace(" ", "")
        sender = self.ns.start("there", "/usr/bin/python3", "-c", f"import socket, time\ns = socket.socket(socket.AF_PACKET, socket.SOCK_RAW)\n"
                               f"s.bind(('eth0', 0))\nfor _ in range(100):\n s.send(bytes.fromhex('{frame}'))\n time.sleep(0.1)")
        port = self.link("eth0", "--seconds", "10")[1]["ports"][0]
        self.ns.end(sender)
        offered = ["10baseT/Half", "10baseT/Full", "100baseT/Half", "100baseT/Full", "1000baseT/Full"]
        self.assertEqual((port["neighbour"]["modes"], port["neighbour"]["runs"]), (offered, "1000BASE-T"))
        self.assertEqual((port["peer_modes"], port["peer_modes_source"]), (offered, "LLDP"))
        self.assertNotIn("peer_modes", port["unread"])


if __name__ == "__main__":
    unittest.main(verbosity=2)
