"""Who is on the wire, live: lldpd as the neighbour, held against tshark's decoding of the same wire; what we ask, seen from the
other side of the cable; an interface that goes down, away and comes back while we listen."""

import json
import os
import pathlib
import signal
import subprocess
import sys
import tempfile
import time
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "support"))
from namespaces import Namespaces, run, wait_until  # noqa: E402

BIN = sys.argv.pop()
DESIGN = pathlib.Path(__file__).resolve().parents[2] / "config" / "sites" / "tram-depot.json"
GATE_NORTH = ("198.51.100.37", "02:00:5e:10:00:37")  # of that design


class Live(unittest.TestCase):
    def setUp(self):
        self.ns = Namespaces("switch", "laptop")
        self.ns.__enter__()
        self.addCleanup(self.ns.__exit__)
        folder = tempfile.TemporaryDirectory(prefix="tallywire-arrivals-")
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)
        self.folder.chmod(0o755)  # lldpd and tcpdump work as users of their own
        self.ns.cable("switch", "laptop", name_a="port7", mac_a=GATE_NORTH[1])

    def capture(self, where, device, expression):
        """tcpdump into a file, once it listens; answers the process and the file."""
        file = self.folder / f"{device}.pcap"
        log = open(self.folder / f"{device}.log", "w+")
        self.addCleanup(log.close)
        # In its own words when it listens: "listening on …".
        process = self.ns.start(where, "tcpdump", "-U", "-nn", "-i", device, "-w", file, expression, stderr=log)
        wait_until(lambda: "listening on" in pathlib.Path(log.name).read_text(), 10, "tcpdump")
        return process, file

    def fields(self, file, *names):
        asked = [part for name in names for part in ("-e", name)]
        return [line.split("\t") for line in run("tshark", "-r", file, "-T", "fields", *asked).stdout.splitlines()]

    def follow(self, *more):
        log, said = open(self.folder / "said.log", "w+"), open(self.folder / "out.log", "w+")
        self.addCleanup(log.close)
        self.addCleanup(said.close)
        process = self.ns.start("laptop", f"{BIN}/tallywire", "arrivals", "--follow", "--json", "--alone", "--design", DESIGN,
                                "--interface", "eth0", *more, stdout=said, stderr=log)
        return process, lambda: pathlib.Path(said.name).read_text(), lambda: pathlib.Path(log.name).read_text()

    def test_the_neighbour_is_told_as_tshark_decodes_it(self):
        control = self.folder / "lldpd.socket"
        self.ns.start("switch", "lldpd", "-d", "-u", control, "-S", "a test switch", "-I", "port7")
        wait_until(lambda: run("lldpcli", "-u", control, "configure", "lldp", "tx-interval", "1", check=False).returncode == 0, 15, "lldpd")
        run("lldpcli", "-u", control, "configure", "system", "hostname", "sw-gate")
        process, file = self.capture("laptop", "eth0", "ether proto 0x88cc")
        done = self.ns.run("laptop", f"{BIN}/tallywire", "link", "eth0", "--seconds", "20", "--json", "--alone", check=False)
        neighbour = json.loads(done.stdout)["ports"][0]["neighbour"]
        wait_until(lambda: self.fields(file, "frame.number"), 10, "a frame in the capture")
        self.ns.end(process)
        name, port, description = self.fields(file, "lldp.tlv.system.name", "lldp.port.desc", "lldp.tlv.system.desc")[0]
        self.assertEqual((neighbour["system_name"], neighbour["port_description"], neighbour["system_description"]), (name, port, description))
        self.assertEqual((name, port, description), ("sw-gate", "port7", "a test switch"))
        self.assertEqual(neighbour["port_id"], GATE_NORTH[1])

    def test_a_port_without_a_neighbour_says_why(self):
        done = self.ns.run("laptop", f"{BIN}/tallywire", "link", "eth0", "--seconds", "1", "--json", "--alone", check=False)
        port = json.loads(done.stdout)["ports"][0]
        self.assertEqual(done.returncode, 3)
        self.assertIsNone(port["neighbour"])
        self.assertEqual(port["unread"]["neighbour"], "no LLDP frame came within 1 s")

    def test_without_an_address_nobody_is_asked_who_may_just_start(self):
        """RFC 5227 §2.1.1: a host that probes for its address takes another's probe for it as a conflict."""
        process, file = self.capture("switch", "port7", "arp")
        following, said, _ = self.follow("--seconds", "6")
        self.assertEqual(following.wait(30), 0)
        self.ns.end(process)
        self.assertEqual(self.fields(file, "frame.number"), [])

    def test_what_is_asked_claims_nothing_and_keeps_its_rate(self):
        run("ip", "-n", self.ns.name("laptop"), "address", "add", "198.51.100.20/24", "dev", "eth0")
        process, file = self.capture("switch", "port7", "arp")
        following, said, _ = self.follow("--seconds", "6")
        self.assertEqual(following.wait(30), 0)
        self.ns.end(process)
        asked = self.fields(file, "frame.time_epoch", "arp.opcode", "arp.src.proto_ipv4", "arp.dst.proto_ipv4")
        self.assertGreaterEqual(len({row[3] for row in asked}), 9)  # every camera of the design
        self.assertEqual({row[1] for row in asked}, {"1"})
        self.assertEqual({row[2] for row in asked}, {"198.51.100.20"})  # its own: no conflict for anybody (RFC 5227 §2.4)
        times = sorted(float(row[0]) for row in asked)
        for start in times:  # at most 20 at once and 100 in a second after it, as probes/arrivals/asker.hpp states
            self.assertLessEqual(sum(start <= t < start + 1 for t in times), 120)

    def test_a_unit_is_seen_within_a_second_of_its_first_frame(self):
        following, said, _ = self.follow("--seconds", "15")
        wait_until(lambda: self.ns.run("laptop", "ip", "link", "show", "eth0").returncode == 0, 5, "the port")
        time.sleep(1)
        # The kernel announces the address itself (arp_notify): a frame that nobody here wrote.
        self.ns.run("switch", "sysctl", "-qw", "net.ipv4.conf.port7.arp_notify=1")
        run("ip", "-n", self.ns.name("switch"), "link", "set", "dev", "port7", "down")
        run("ip", "-n", self.ns.name("switch"), "address", "add", f"{GATE_NORTH[0]}/24", "dev", "port7")
        run("ip", "-n", self.ns.name("switch"), "link", "set", "dev", "port7", "up")
        wait_until(lambda: "gate-north" in said(), 10, "the arrival")
        event = json.loads(said().splitlines()[0])["data"]
        self.assertEqual((event["camera"], event["presence"], event["address"], event["hardware_address"]),
                         ("gate-north", "arrived", *GATE_NORTH))
        os.killpg(following.pid, signal.SIGINT)
        self.assertEqual(following.wait(10), 0)

    def test_an_interface_that_goes_down_and_away_is_said_and_picked_up_again(self):
        following, said, told = self.follow("--seconds", "40")
        time.sleep(1)
        # The cable out of the switch: the port stays up and has no carrier.
        run("ip", "-n", self.ns.name("switch"), "link", "set", "dev", "port7", "down")
        wait_until(lambda: "eth0 is down" in told(), 10, "no carrier")
        run("ip", "-n", self.ns.name("switch"), "link", "set", "dev", "port7", "up")
        time.sleep(2)
        run("ip", "-n", self.ns.name("laptop"), "link", "set", "dev", "eth0", "down")
        wait_until(lambda: told().count("eth0 is down") == 2, 10, "down")
        run("ip", "-n", self.ns.name("laptop"), "link", "del", "dev", "eth0")
        wait_until(lambda: "eth0 is gone" in told(), 10, "gone")
        self.ns.cable("switch", "laptop", name_a="port7", mac_a=GATE_NORTH[1], address_a=f"{GATE_NORTH[0]}/24", address_b="198.51.100.20/24")
        # Back: the unit that answers our asks now is seen.
        wait_until(lambda: "gate-north" in said(), 20, "seen after the interface came back")
        self.assertIsNone(following.poll())


if __name__ == "__main__":
    unittest.main(verbosity=2)
