"""A switch with a laptop and units, each in a namespace of its own, and what `tallywire arrivals` tells there."""

import datetime
import json
import pathlib
import re
import sys
import tempfile
import time
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "support"))
from namespaces import Namespaces, run, wait_until  # noqa: E402

BIN = sys.argv.pop()
DESIGN = pathlib.Path(__file__).resolve().parents[2] / "config" / "sites" / "tram-depot.json"
CAMERAS = {c["id"]: c for c in json.loads(DESIGN.read_text())["cameras"]}
SWITCHES = [s["address"] for s in json.loads(DESIGN.read_text())["switches"]]
STRANGER = "02:00:5e:20:00:{:02x}"
LAPTOP = "02:00:5e:20:00:ff"


def mac_of(camera):
    return CAMERAS[camera]["hardware_address"]


def address_of(camera):
    return CAMERAS[camera]["address"]


def seconds(stamp):
    return datetime.datetime.fromisoformat(stamp.replace("Z", "+00:00")).timestamp()


class Site(unittest.TestCase):
    """The switch is a bridge; each unit has a namespace, an eth0 there and a port named like it on the bridge."""
    units = ("one", "two", "three", "four")
    maxDiff = None

    def setUp(self):
        self.ns = Namespaces("switch", "laptop", *self.units)
        self.ns.__enter__()
        self.addCleanup(self.ns.__exit__)
        folder = tempfile.TemporaryDirectory(prefix="tallywire-conflicts-")
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)
        self.folder.chmod(0o755)
        run("ip", "-n", self.ns.name("switch"), "link", "add", "br0", "type", "bridge", "mcast_snooping", "0")
        self.ns.run("switch", "sysctl", "-qw", "net.ipv6.conf.br0.disable_ipv6=1")
        run("ip", "-n", self.ns.name("switch"), "link", "set", "dev", "br0", "up")
        self.plug("laptop", LAPTOP, "198.51.100.20")

    def ip(self, where, *words, check=True):
        return run("ip", "-n", self.ns.name(where), *words, check=check)

    def plug(self, unit, mac, address=None, port=None, device="eth0"):
        """Powers a unit: its link comes up, and the kernel announces its address (arp_notify)."""
        port = port or unit
        run("ip", "link", "add", "name", device, "netns", self.ns.name(unit), "type", "veth", "peer", "name", port, "netns", self.ns.name("switch"))
        self.ns.run("switch", "sysctl", "-qw", f"net.ipv6.conf.{port}.disable_ipv6=1")
        self.ip("switch", "link", "set", "dev", port, "master", "br0", "up")
        self.ip(unit, "link", "set", "dev", device, "address", mac)
        self.ns.run(unit, "sysctl", "-qw", f"net.ipv4.conf.{device}.arp_notify=1")
        self.ip(unit, "link", "set", "dev", device, "up")
        self.wait_for_switch(port)
        if address:
            self.ip(unit, "address", "add", f"{address}/24", "dev", device)
            self.announce(unit, device, mac)

    def wait_for_switch(self, port):
        wait_until(lambda: "state forwarding" in self.ns.run("switch", "bridge", "link", "show", "dev", port).stdout, 5, "the switch forwards")

    def announce(self, unit, device, mac):
        """The kernel announces its addresses when its hardware address is set (arp_notify), though it is the same."""
        self.ip(unit, "link", "set", "dev", device, "address", mac)

    def link(self, port, state):
        self.ip("switch", "link", "set", "dev", port, state)

    def follow(self, *more, interfaces=("eth0",)):
        """What `arrivals --follow` tells; answers the process."""
        self.said, self.told = self.folder / "said", self.folder / "told"
        asked = [part for name in interfaces for part in ("--interface", name)]
        with open(self.said, "w") as out, open(self.told, "w") as log:
            process = self.ns.start("laptop", f"{BIN}/tallywire", "arrivals", "--follow", "--json", "--alone", "--design", DESIGN, *asked,
                                    "--seconds", "100", *more, stdout=out, stderr=log)
        time.sleep(1)
        return process

    def events(self, name):
        lines = self.said.read_text().splitlines()
        return [e["data"] for e in map(json.loads, lines) if e["event"] == name]

    def findings(self, id_):
        return [f for f in self.events("finding") if f["id"] == id_]

    def finding(self, id_, subject, limit_s=15):
        try:
            return wait_until(lambda: next((f for f in self.findings(id_) if f["subject"] == subject), None), limit_s, f"{id_} of {subject}")
        except AssertionError as late:
            raise AssertionError(f"{late}; told: {self.said.read_text()} {self.told.read_text()}") from None

    def capture(self, where, device, name, *expression):
        file, log = self.folder / f"{name}.pcap", self.folder / f"{name}.log"
        with open(log, "w") as out:
            process = self.ns.start(where, "tcpdump", "-U", "--immediate-mode", "-nn", "-Z", "root", "-i", device, "-w", file, *expression, stderr=out)
        wait_until(lambda: "listening on" in log.read_text(), 10, "tcpdump")
        return process, file

    def fields(self, file, wanted, *names):
        asked = [part for name in names for part in ("-e", name)]
        return [line.split("\t") for line in run("tshark", "-r", file, "-Y", wanted, "-T", "fields", *asked).stdout.splitlines()]

    def units_told(self, *more, seconds_=4, where="laptop"):
        done = self.ns.run(where, f"{BIN}/tallywire", "arrivals", "--units", "--json", "--alone", "--design", DESIGN, "--interface", "eth0",
                           "--seconds", str(seconds_), *more)
        return json.loads(done.stdout)

    def dnsmasq(self, where, first, name):
        log = self.folder / f"dnsmasq-{name}.log"
        with open(log, "w") as out:
            process = self.ns.start(where, "dnsmasq", "--no-daemon", "--conf-file=/dev/null", "--user=root", "--pid-file=", "--port=0",
                                    "--interface=eth0", "--bind-interfaces", "--no-ping", "--dhcp-authoritative",
                                    f"--dhcp-range={first}.100,{first}.110,255.255.255.0,1h", f"--dhcp-leasefile={self.folder}/leases-{name}",
                                    stderr=out, stdout=out)
        wait_until(lambda: "DHCP, " in log.read_text(), 10, "dnsmasq")
        return process

    def lease(self, unit, *more):
        """udhcpc takes a lease and puts the address on the card; -B: the answers are for all to hear (RFC 2131 §4.1)."""
        script = self.folder / "lease.sh"
        script.write_text('#!/bin/sh\n[ "$1" = bound ] && ip address add "$ip/$mask" dev "$interface"\nexit 0\n')
        script.chmod(0o755)
        return self.ns.run(unit, "timeout", "10", "busybox", "udhcpc", "-f", "-B", "-i", "eth0", "-s", script, "-t", "3", "-T", "1", "-n", "-q", *more)

    def reach(self, finding, unit_address):
        """Gives this machine the address that the finding names; then the unit answers, and did not before."""
        self.assertNotEqual(self.ns.run("laptop", "ping", "-c", "1", "-W", "1", unit_address, check=False).returncode, 0)
        given = re.search(r"give this machine (\S+) as a second address", finding["next_step"]).group(1)
        self.ip("laptop", "address", "add", given, "dev", "eth0")
        self.ns.run("laptop", "ping", "-c", "3", "-i", "0.3", "-W", "1", unit_address)
