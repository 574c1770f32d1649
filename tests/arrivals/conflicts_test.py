"""Conflicts of who is who, each made for real on a bridge between namespaces, by peers that nobody here wrote: the kernel's own
ARP, duplicate address detection and bridge, arping, avahi-autoipd, avahi-daemon, dnsmasq, udhcpc, wsdd; tcpdump as the witness."""

import gzip
import json
import pathlib
import re
import subprocess
import sys
import time
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "support"))
from conflict_site import BIN, CAMERAS, DESIGN, LAPTOP, STRANGER, SWITCHES, Site, address_of, mac_of, seconds  # noqa: E402
from namespaces import run, wait_until  # noqa: E402


class Addresses(Site):
    def test_one_address_on_two_units_and_one_that_took_over(self):
        self.follow()
        self.plug("one", mac_of("gate-north"), address_of("gate-north"))
        self.plug("three", STRANGER.format(3), "198.51.100.90")
        time.sleep(1.5)
        self.ip("three", "link", "set", "dev", "eth0", "down")  # it left
        time.sleep(0.5)
        self.plug("four", STRANGER.format(4), "198.51.100.90")
        self.plug("two", STRANGER.format(2), address_of("gate-north"))
        self.announce("one", "eth0", mac_of("gate-north"))  # it is still there
        found = self.finding("address_twice", "camera/gate-north")
        for part in (mac_of("gate-north"), STRANGER.format(2), address_of("gate-north")):
            self.assertIn(part, found["sentence"])
        self.assertEqual(len(found["evidence"]), 2)
        self.ns.run("four", "arping", "-A", "-c", "2", "-w", "3", "-I", "eth0", "198.51.100.90")
        time.sleep(2.5)
        self.assertEqual([f["subject"] for f in self.findings("address_twice")], ["camera/gate-north"])

    def test_two_cards_of_one_machine_and_a_machine_with_several_addresses_are_healthy(self):
        # Linux answers on either card for the addresses of both.
        self.plug("one", STRANGER.format(0x11), "198.51.100.81")
        self.plug("one", STRANGER.format(0x12), "198.51.100.82", port="one-b", device="eth1")
        self.plug("two", STRANGER.format(0x13), "198.51.100.83")
        self.ip("two", "address", "add", "198.51.100.84/24", "dev", "eth0")
        self.plug("three", mac_of("gate-north"), address_of("gate-north"))
        self.ip("three", "address", "add", "169.254.9.9/16", "dev", "eth0")
        self.follow("--sweep", "198.51.100.64/26")
        for card, address in (("eth0", "198.51.100.81"), ("eth1", "198.51.100.82")):
            self.ns.run("one", "arping", "-U", "-c", "2", "-w", "3", "-I", card, address)
        self.ns.run("three", "arping", "-U", "-c", "1", "-w", "2", "-I", "eth0", "169.254.9.9")
        units = {u["unit"]: u for u in self.units_told("--sweep", "198.51.100.80/29")["units"]}
        for mac in (STRANGER.format(0x11), STRANGER.format(0x12)):
            claimed = {f["value"] for f in units[mac]["facts"] if f["fact"] == "ipv4_address"}
            self.assertEqual(claimed, {"198.51.100.81", "198.51.100.82"})
        self.assertEqual(self.events("finding"), [])

    def test_two_units_with_each_others_address_are_swapped(self):
        self.follow()
        self.plug("one", mac_of("gate-north"), address_of("hall-quad"))
        self.plug("two", mac_of("hall-quad"), address_of("gate-north"))
        found = wait_until(lambda: self.findings("units_swapped"), 15, "swapped")[0]
        for part in ("gate-north", "hall-quad", address_of("gate-north"), address_of("hall-quad")):
            self.assertIn(part, found["sentence"])
        over = {(f["id"], f["subject"]) for f in self.events("finding_over")}
        self.assertEqual([f for f in self.findings("address_not_designed") if (f["id"], f["subject"]) not in over], [])

    def test_units_that_are_elsewhere_are_reached_by_the_address_that_the_finding_names(self):
        self.follow()
        self.plug("one", mac_of("gate-north"))
        self.ns.start("one", "sh", "-c", "mount -t tmpfs none /run && mkdir -p /run/avahi-autoipd && exec avahi-autoipd --no-drop-root --no-chroot eth0")
        self.plug("two", STRANGER.format(2), "192.0.2.10")
        self.plug("three", mac_of("hall-quad"), "203.0.113.64")
        foreign = self.finding("address_out_of_reach", f"stranger/{STRANGER.format(2)}")
        self.reach(foreign, "192.0.2.10")
        factory = self.finding("address_not_designed", "camera/hall-quad")
        self.assertIn(address_of("hall-quad"), factory["sentence"])
        self.reach(factory, "203.0.113.64")
        # RFC 3927 §2.2.1: up to 1 s, three probes up to 2 s apart, 2 s; then it claims the address.
        alone = self.finding("address_link_local", "camera/gate-north", 20)
        own = json.loads(run("ip", "-n", self.ns.name("one"), "-j", "-4", "address", "show", "dev", "eth0").stdout)[0]["addr_info"][0]["local"]
        self.assertIn(own, alone["sentence"])
        self.reach(alone, own)


class Servers(Site):
    def test_two_dhcp_servers_are_told_and_one_is_not(self):
        self.plug("one", STRANGER.format(1), "198.51.100.5")
        self.plug("two", STRANGER.format(2), "198.51.100.6")
        self.plug("three", STRANGER.format(3))
        self.follow()
        self.dnsmasq("one", "198.51.100", "right")
        self.lease("three")
        time.sleep(4)
        self.assertEqual(self.findings("dhcp_twice"), [])
        self.dnsmasq("two", "198.51.100", "wrong")
        for _ in range(3):
            self.lease("three")
        found = self.finding("dhcp_twice", "network/eth0")
        for part in ("198.51.100.5", "198.51.100.6", STRANGER.format(1), STRANGER.format(2)):
            self.assertIn(part, found["sentence"])


class Starts(Site):
    def test_a_unit_that_starts_again_and_again_and_units_that_only_seem_to(self):
        self.plug("one", mac_of("gate-north"))
        self.plug("two", STRANGER.format(2))    # asks for a lease that nobody gives
        self.plug("three", STRANGER.format(3))  # takes new IPv6 addresses
        self.plug("four", STRANGER.format(4), "198.51.100.88")   # renews a lease, checking its address each time
        self.ns.run("one", "sysctl", "-qw", "net.ipv6.conf.eth0.dad_transmits=2")
        self.ip("one", "link", "set", "dev", "eth0", "down")
        self.follow()
        self.ns.start("two", "busybox", "udhcpc", "-f", "-i", "eth0", "-s", "/bin/true", "-t", "2", "-T", "1", "-A", "6")
        ups = []
        for n in range(3):
            self.ip("one", "link", "set", "dev", "eth0", "up")  # the kernel takes up its IPv6 anew, as at power-up
            ups.append(time.time())
            end = time.monotonic() + 10
            self.ns.run("four", "arping", "-D", "-c", "2", "-w", "2", "-I", "eth0", "198.51.100.88", check=False)
            self.ns.run("four", "arping", "-U", "-c", "1", "-w", "1", "-I", "eth0", "198.51.100.88")
            while time.monotonic() < end:
                self.ip("three", "address", "add", f"2001:db8::{n}:{int(time.monotonic() * 10) % 10000}/64", "dev", "eth0",
                        "valid_lft", "4", "preferred_lft", "3")
                time.sleep(1)
            self.ip("one", "link", "set", "dev", "eth0", "down")
        found = self.finding("starts_again", "camera/gate-north")
        count, period = map(int, re.search(r"has started (\d+) times, about every (\d+) s", found["sentence"]).groups())
        true_period = (ups[-1] - ups[0]) / 2
        self.assertEqual(count, 3)
        self.assertLessEqual(abs(period - true_period), 0.1 * true_period)
        self.assertEqual(sum(line.startswith("started ") for line in found["evidence"]), 3)
        self.assertEqual([f["subject"] for f in self.findings("starts_again")], ["camera/gate-north"])


AVAHI = """[server]
host-name={name}
use-ipv4=yes
use-ipv6=no
enable-dbus=no
allow-interfaces=eth0
[publish]
publish-hinfo=yes
publish-workstation=no
[rlimits]
"""


class Entries(Site):
    def avahi(self, unit, name):
        conf = self.folder / f"avahi-{unit}.conf"
        conf.write_text(AVAHI.format(name=name))
        self.ns.start(unit, "sh", "-c", "mount -t tmpfs none /run && mkdir /run/avahi-daemon && "
                      f"exec avahi-daemon --no-drop-root --no-chroot --no-rlimits -f {conf}")

    def heard_alike(self, live, answer):
        """Field by field; where it was heard is not in a file."""
        keys = ("hardware_addresses", "maker", "vlans", "first_heard", "last_heard", "said_goodbye", "is_network", "serves_dhcp", "frames", "starts",
                "facts", "camera", "matched_by")
        pick = lambda units: sorted(({k: u[k] for k in keys} for u in units), key=lambda u: u["hardware_addresses"])
        self.assertEqual(pick(live["units"]), pick(answer["units"]))
        servers = lambda list_: sorted(({k: v for k, v in s.items() if k != "interface"} for s in list_), key=str)
        self.assertEqual(servers(live["dhcp_servers"]), servers(answer["dhcp_servers"]))

    def digest(self, file, *more, code=0, stdin=None):
        done = self.ns.run("laptop", f"{BIN}/tallywire", "arrivals", file, "--json", *more, check=False, stdin=stdin)
        self.assertEqual(done.returncode, code, done.stderr)
        return json.loads(done.stdout) if code != 2 else done

    def test_one_unit_is_one_entry_and_a_capture_of_the_same_run_says_the_same(self):
        for n, unit in enumerate(("one", "two"), 1):
            self.plug(unit, STRANGER.format(n), f"198.51.100.{4 + n}")
        self.plug("three", mac_of("gate-north"), address_of("gate-north"))
        self.plug("four", STRANGER.format(4))
        tcpdump, file = self.capture("laptop", "eth0", "run", "-Q", "in")
        live = subprocess.Popen(["ip", "netns", "exec", self.ns.name("laptop"), f"{BIN}/tallywire", "arrivals", "--units", "--json", "--alone",
                                 "--design", DESIGN, "--interface", "eth0", "--seconds", "12"], stdout=subprocess.PIPE, text=True)
        self.addCleanup(lambda: live.poll() is None and live.kill())
        time.sleep(1)
        self.dnsmasq("one", "198.51.100", "right")
        self.lease("four", "-x", "hostname:depot-door")
        own = json.loads(run("ip", "-n", self.ns.name("four"), "-j", "-4", "address", "show", "dev", "eth0").stdout)[0]["addr_info"][0]["local"]
        self.avahi("four", "depot-door-names")
        self.ns.start("four", "wsdd", "-4", "-i", "eth0", "-n", "DOOR", "-w", "DEPOT", "-t", "-U", "98190dc2-0890-4ef8-ac9a-5940995e6119")
        self.ip("two", "address", "add", f"{address_of('gate-north')}/24", "dev", "eth0")
        self.ns.run("two", "arping", "-U", "-c", "2", "-w", "3", "-I", "eth0", address_of("gate-north"))
        self.announce("three", "eth0", mac_of("gate-north"))
        told = json.loads(live.communicate(timeout=30)[0])
        self.ns.end(tcpdump)
        mine = [u for u in told["units"] if STRANGER.format(4) in u["hardware_addresses"]]
        self.assertEqual(len(mine), 1)
        facts = {(f["fact"], f["value"], f["source"]) for f in mine[0]["facts"]}
        for fact in (("host_name", "depot-door", "DHCP"), ("host_name", "depot-door-names", "mDNS"), ("ipv4_address", own, "DHCP"),
                     ("ipv4_address", own, "mDNS"), ("ipv4_address", own, "WS-Discovery"),
                     ("endpoint", "urn:uuid:98190dc2-0890-4ef8-ac9a-5940995e6119", "WS-Discovery")):
            self.assertIn(fact, facts)
        self.assertIsNone(mine[0]["camera"])

        # Cut where listening ended, so that both heard the same frames.
        begin, end = min(seconds(u["first_heard"]) for u in told["units"]), max(seconds(u["last_heard"]) for u in told["units"]) + 0.001
        cut = self.folder / "cut.pcap"
        run("tshark", "-r", file, "-F", "pcap", "-w", cut, "-Y", f"frame.time_epoch >= {begin:.6f} && frame.time_epoch < {end:.6f}")
        answer = self.digest(cut, "--design", DESIGN)
        self.heard_alike(told, answer)
        camera = next(u for u in answer["units"] if u["camera"] == "gate-north")
        self.assertEqual(camera["matched_by"], "hardware_address")
        self.assertEqual([f["subject"] for f in answer["findings"] if f["id"] == "address_twice"], ["camera/gate-north"])
        bare = lambda a: {k: v for k, v in a.items() if k != "capture"}

        ng, packed, short = self.folder / "run.pcapng", self.folder / "run.pcap.gz", self.folder / "short.pcap"
        run("editcap", "-F", "pcapng", cut, ng)
        packed.write_bytes(gzip.compress(cut.read_bytes()))
        for other in (ng, packed):
            self.assertEqual(bare(self.digest(other, "--design", DESIGN)), bare(answer), other)
        with open(cut, "rb") as stream:
            self.assertEqual(bare(self.digest("-", "--design", DESIGN, stdin=stream)), bare(answer))
        short.write_bytes(cut.read_bytes()[:-7])
        damaged = self.digest(short, "--design", DESIGN, code=3)
        self.assertIsNotNone(damaged["capture"]["damage"])
        self.assertEqual(damaged["capture"]["frames"], answer["capture"]["frames"] - 1)
        text = self.folder / "text"
        text.write_text("no capture at all, and long enough to be looked into\n" * 20)
        self.assertIn(str(text), self.digest(text, code=2).stderr)


# An ARP announcement (RFC 5227 §1.1, RFC 826) behind two tags (IEEE 802.1Q, 802.1ad); 802.1Q devices do not exist on every kernel.
TAGGED = """
import socket
mac, address = bytes.fromhex("{mac}".replace(":", "")), socket.inet_aton("{address}")
frame = bytes([255] * 6) + mac + bytes.fromhex("{tags}") + bytes.fromhex("0806" "0001" "0800" "0604" "0001") + mac + address + bytes(6) + address
card = socket.socket(socket.AF_PACKET, socket.SOCK_RAW)
card.bind(("eth0", 0))
card.send(frame + bytes(18))
"""


class Listening(Site):
    units = ("one", "two")

    def test_a_laptop_without_an_address_hears_two_interfaces_and_tagged_frames(self):
        self.ip("laptop", "address", "flush", "dev", "eth0")
        self.ns.run("laptop", "sysctl", "-qw", "net.ipv6.conf.all.disable_ipv6=1", "net.ipv6.conf.default.disable_ipv6=1")
        self.ns.cable("laptop", "two", name_a="eth1", mac_b=mac_of("hall-quad"))
        self.ns.run("two", "sysctl", "-qw", "net.ipv4.conf.eth0.arp_notify=1")
        for none in (("address", "show", "scope", "global"), ("-6", "address")):
            self.assertEqual(self.ns.run("laptop", "ip", "-o", *none).stdout, "")
        self.follow(interfaces=("eth0", "eth1"))
        self.plug("one", mac_of("gate-north"), address_of("gate-north"))
        self.ip("two", "address", "add", f"{address_of('hall-quad')}/24", "dev", "eth0")
        self.announce("two", "eth0", mac_of("hall-quad"))
        third = next(c for c in CAMERAS if c not in ("gate-north", "hall-quad"))
        self.ns.run("one", "python3", "-c", TAGGED.format(mac=mac_of(third), address=address_of(third), tags="88a8000a" "81000014"))
        arrived = lambda: {e["camera"]: e["address"] for e in self.events("presence") if e["presence"] == "arrived"}
        wait_until(lambda: len(arrived()) == 3, 10, "three arrivals")
        self.assertEqual(arrived(), {c: address_of(c) for c in ("gate-north", "hall-quad", third)})

    def test_an_interface_that_is_renamed_is_said_and_heard_on(self):
        self.follow()
        self.ip("laptop", "link", "set", "dev", "eth0", "down")
        self.ip("laptop", "link", "set", "dev", "eth0", "name", "lan0")
        self.ip("laptop", "link", "set", "dev", "lan0", "up")
        self.wait_for_switch("laptop")
        wait_until(lambda: "eth0 is called lan0 now" in self.told.read_text(), 5, "the new name")
        time.sleep(1)
        self.plug("one", mac_of("gate-north"), address_of("gate-north"))
        wait_until(lambda: self.events("presence"), 5, "heard on lan0")

    def test_presence_has_the_time_of_the_wire_and_what_was_asked_is_what_crossed_it(self):
        secrets = self.folder / "secrets.json"
        secrets.touch(0o600)
        secrets.write_text(json.dumps({"cameras": {"user": "depot", "password": "not-a-real-one"}, "switches": {"community": "tram"},
                                       "far-end": {"key": "0" * 32}, "board": {"key": "a-token-of-thirty-two-characters"}}))
        door = self.folder / "door"
        _, asked_file = self.capture("switch", "laptop", "asked", "ether", "src", LAPTOP)
        with open(self.folder / "service.log", "w") as log:
            service = self.ns.start("laptop", f"{BIN}/tallywired", "--design", DESIGN, "--secrets", secrets, "--interface", "eth0",
                                    "--record", self.folder / "record", "--socket", door, "--loopback-port", "0", stderr=log)
        ask = lambda path: self.ns.run("laptop", "curl", "-sS", "--max-time", "5", "--unix-socket", door, f"http://localhost{path}").stdout
        wait_until(lambda: service.poll() is None and door.exists() and "gate-north" in ask("/api/roll"), 20, "the service")
        camera = lambda: next(c for c in json.loads(ask("/api/roll"))["cameras"] if c["camera"] == "gate-north")
        self.ns.run("one", "sysctl", "-qw", "net.ipv6.conf.default.disable_ipv6=1")  # silent until it is told to speak
        self.plug("one", mac_of("gate-north"))
        self.ip("one", "address", "add", f"{address_of('gate-north')}/24", "dev", "eth0")
        _, unit_file = self.capture("one", "eth0", "unit", "-Q", "out")
        self.announce("one", "eth0", mac_of("gate-north"))
        wait_until(lambda: camera()["presence"] == "arrived", 5, "arrived")
        first = float(wait_until(lambda: self.fields(unit_file, "frame", "frame.time_epoch"), 5, "its first frame")[0][0])
        since = seconds(camera()["since"])
        self.assertTrue(-0.001 <= since - first < 1, (since, first))
        # The unit dies behind the switch, whose port to this machine keeps its link.
        self.link("one", "down")
        dead = time.time()
        wait_until(lambda: camera()["presence"] == "lost", 20, "lost")
        lost = camera()
        self.assertRegex(lost["reason"], r"silent for \d+ s and unanswered [3-9] times")
        self.assertTrue(9 <= seconds(lost["since"]) - dead <= 20, lost)
        told = json.loads(self.ns.run("laptop", f"{BIN}/tallywire", "arrivals", "--asked", "--json", "--socket", door).stdout)
        stop = time.time()
        feed = self.ns.run("laptop", "curl", "-sS", "--max-time", "2", "--unix-socket", door, "http://localhost/api/events?after=0", check=False).stdout
        kept = [json.loads(line[5:]) for line in feed.splitlines() if line.startswith("data:")]
        stays = [(e["presence"], seconds(e["at"])) for e in kept if isinstance(e, dict) and e.get("camera") == "gate-north" and "presence" in e]
        self.assertEqual(stays, [("arrived", since), ("lost", seconds(lost["since"]))])
        self.ns.end(service)
        time.sleep(0.5)
        listed = {}
        for one in told["asked"]:
            listed.setdefault(one["kind"], []).append(one["address"])
        newest = max(seconds(one["at"]) for one in told["asked"])
        before = f"frame.time_epoch <= {min(newest + 0.2, stop):.6f}"
        # The kernel itself asks for the switches, since the service looks at them by SNMP: nobody of the roll.
        not_a_switch = " && ".join(f"arp.dst.proto_ipv4 != {a}" for a in SWITCHES)
        crossed = {
            "ARP": [f[0] for f in self.fields(asked_file, f"arp.opcode == 1 && eth.dst == ff:ff:ff:ff:ff:ff && {not_a_switch} && {before}",
                                              "arp.dst.proto_ipv4")],
            "WS-Discovery probe": [a or b for a, b in self.fields(asked_file, f"udp.dstport == 3702 && {before}", "ip.dst", "ipv6.dst")],
            "mDNS question": [a or b for a, b in self.fields(asked_file, f"udp.dstport == 5353 && {before}", "ip.dst", "ipv6.dst")]}
        self.assertEqual({k: sorted(v) for k, v in listed.items()}, {k: sorted(v) for k, v in crossed.items()})
        for kind in ("WS-Discovery probe", "mDNS question"):
            self.assertEqual(len(listed[kind]), len(set(listed[kind])))  # one a family, within less than 60 s
        self.assertEqual(told["asked_frames"], len(told["asked"]))


if __name__ == "__main__":
    unittest.main(verbosity=2)
