"""What units say when they power up, recorded by tcpdump in namespaces from peers that nobody here wrote:

  unit: kernel, udhcpc, lldpd, avahi-daemon, wsdd, arping -- [hub: bridge, dnsmasq, lldpd, wsdd as a client] -- other: kernel

By hand: arrivals_captures.py FOLDER."""

import json
import pathlib
import signal
import sys
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "support"))
from namespaces import Namespaces, run, wait_until  # noqa: E402

UNIT_MAC, OTHER_MAC, HUB_MAC = "02:00:00:00:00:10", "02:00:00:00:00:20", "02:00:00:00:00:01"
HUB, UNIT, OTHER, TAKEN = "192.0.2.1", "192.0.2.10", "192.0.2.20", "192.0.2.60"
HUB6, UNIT6, OTHER6 = "2001:db8::1", "2001:db8::10", "2001:db8::20"
LINKS = ("EN10MB", "LINUX_SLL", "LINUX_SLL2")
AVAHI = """[server]
host-name={name}
use-ipv4=yes
use-ipv6=yes
enable-dbus=no
allow-interfaces=eth0
[publish]
publish-hinfo=yes
publish-workstation=yes
publish-aaaa-on-ipv4=yes
publish-a-on-ipv6=yes
[rlimits]
"""
SERVICES = {"head": ("Head 1.north \\ Tram\u2019s", "_rtsp._tcp", 554, ("txtvers=1", "path=/head/1", "empty=")),
            "page": ("A page", "_http._tcp", 80, ())}
# IEEE 802.3bt §79.3.2: the two of check-values section 9, then one that fills every field.
POWER_BT = {
    "dual": "0f,01,05,13,02,c6,01,fe,01,63,01,63,00,ff,00,ff,ce,4f,00,01,fe,00,00,00,00",
    "single": "0f,01,05,13,01,fe,01,c2,00,00,00,00,00,00,00,00,8f,f6,00,02,58,00,00,00,00",
    "unit": "00,01,05,53,02,c6,01,fe,00,64,00,c8,01,2c,01,90,25,2f,07,00,00,07,74,0e,10",
}


class Recorder:
    """tcpdump in one namespace, once for each link layer; with_links() answers the files when it has ended."""

    def __init__(self, ns, where, device, folder):
        self.ns, self.folder, self.files, self.processes = ns, pathlib.Path(folder), {}, []
        for link in LINKS:
            file, log = self.folder / f"{link}.pcap", self.folder / f"{link}.log"
            on = device if link == "EN10MB" else "any"
            with open(log, "w") as out:
                self.processes.append(ns.start(where, "tcpdump", "-U", "-nn", "-Z", "root", "-B", "8192", "-y", link, "-i", on, "-w", file, stderr=out))
            self.files[link] = file
            wait_until(lambda log=log: "listening on" in log.read_text(), 10, "tcpdump")

    def stop(self):
        time.sleep(0.5)
        for process in self.processes:
            self.ns.end(process)
        return self.files


class Depot:
    """The three namespaces and what runs in them."""

    def __init__(self, folder):
        self.folder = pathlib.Path(folder)
        self.ns = Namespaces("unit", "hub", "other")
        self.heard = self.folder / "EN10MB.pcap"
        self.neighbours = {}  # what the hub's lldpd makes of the unit's frames, by name

    def __enter__(self):
        self.ns.__enter__()
        try:
            self._wire()
        except BaseException:
            self.ns.__exit__()
            raise
        return self

    def __exit__(self, *_):
        self.ns.__exit__()

    def _wire(self):
        ns, hub = self.ns, self.ns.name("hub")
        run("ip", "-n", hub, "link", "add", "br0", "type", "bridge", "mcast_snooping", "0")
        run("ip", "-n", hub, "link", "set", "dev", "br0", "address", HUB_MAC)
        run("ip", "-n", hub, "address", "add", f"{HUB}/24", "dev", "br0")
        run("ip", "-n", hub, "address", "add", f"{HUB6}/64", "dev", "br0", "nodad")
        for name, mac, port in (("unit", UNIT_MAC, "port1"), ("other", OTHER_MAC, "port2")):
            run("ip", "link", "add", "name", "eth0", "netns", ns.name(name), "type", "veth", "peer", "name", port, "netns", hub)
            run("ip", "-n", ns.name(name), "link", "set", "dev", "eth0", "address", mac)
            run("ip", "-n", hub, "link", "set", "dev", port, "master", "br0")
            run("ip", "-n", hub, "link", "set", "dev", port, "up")
        run("ip", "-n", hub, "link", "set", "dev", "br0", "up")

    def power_up(self):
        """The kernel's own: duplicate address detection, listener reports, router solicitations, ARP announcements."""
        for name, address, address6 in (("unit", UNIT, UNIT6), ("other", OTHER, OTHER6)):
            where = self.ns.name(name)
            self.ns.run(name, "sysctl", "-qw", "net.ipv4.conf.eth0.arp_notify=1", "net.ipv6.conf.eth0.ndisc_notify=1",
                        f"net.ipv6.conf.eth0.force_mld_version={1 if name == 'other' else 0}")
            run("ip", "-n", where, "link", "set", "dev", "eth0", "up")
            run("ip", "-n", where, "address", "add", f"{address}/24", "dev", "eth0")
            run("ip", "-n", where, "address", "add", f"{address6}/64", "dev", "eth0")
        run("ip", "-n", self.ns.name("other"), "address", "add", f"{TAKEN}/24", "dev", "eth0")
        wait_until(lambda: "tentative" not in self.ns.run("unit", "ip", "-6", "address", "show").stdout, 10, "addresses")
        wait_until(lambda: "tentative" not in self.ns.run("other", "ip", "-6", "address", "show").stdout, 10, "addresses")

    def resolve(self):
        """ARP and neighbour discovery between kernels; probes and announcements of RFC 5227 by arping."""
        for address in (OTHER, OTHER6, HUB):
            self.ns.run("unit", "ping", "-c", "1", "-W", "2", address)
        self.ns.run("unit", "arping", "-D", "-c", "2", "-w", "3", "-I", "eth0", TAKEN, check=False)
        self.ns.run("unit", "arping", "-D", "-c", "2", "-w", "3", "-I", "eth0", "192.0.2.99", check=False)
        self.ns.run("unit", "arping", "-U", "-c", "1", "-w", "2", "-I", "eth0", UNIT, check=False)
        self.ns.run("unit", "arping", "-A", "-c", "1", "-w", "2", "-I", "eth0", UNIT, check=False)
        run("ip", "-n", self.ns.name("other"), "address", "del", f"{OTHER6}/64", "dev", "eth0")  # MLD 1: done
        self.ns.run("hub", "sysctl", "-qw", "net.ipv6.conf.br0.forwarding=1")
        self.ns.run("unit", "ping", "-c", "1", "-W", "2", HUB6)                                  # from a router now

    def _dnsmasq(self, *more):
        log = self.folder / "dnsmasq.log"
        with open(log, "w") as out:
            process = self.ns.start("hub", "dnsmasq", "--no-daemon", "--conf-file=/dev/null", "--user=root", "--pid-file=", "--port=0",
                                    "--interface=br0", "--bind-interfaces", "--no-ping", "--dhcp-authoritative", "--log-dhcp",
                                    f"--dhcp-leasefile={self.folder}/leases", *more, stderr=out, stdout=out)
        wait_until(lambda: "sockets bound" in log.read_text() or "DHCP, " in log.read_text(), 10, "dnsmasq")
        return process

    def _udhcpc(self, *more):
        """Takes a lease and ends; what it is told goes nowhere."""
        self.ns.run("unit", "timeout", "15", "busybox", "udhcpc", "-f", "-i", "eth0", "-s", "/bin/true", "-t", "3", "-T", "1", "-n", "-q",
                    *more, check=False)

    def _udhcpc_that_stays(self, *more):
        """With its address on the card: it renews on SIGUSR1 and gives the lease back on SIGTERM."""
        script, leases = self.folder / "lease.sh", self.folder / "leases"
        script.write_text('#!/bin/sh\n[ "$1" = bound ] && ip address add "$ip/$mask" dev "$interface"\nexit 0\n')
        script.chmod(0o755)
        process = self.ns.start("unit", "busybox", "udhcpc", "-f", "-i", "eth0", "-s", script, "-t", "3", "-T", "1", "-n", "-R", *more)
        wait_until(lambda: leases.exists() and UNIT_MAC in leases.read_text(), 10, "a lease")
        time.sleep(0.5)
        return process

    def lease(self):
        """Discover, offer, request, ack, renewal, release; then nak, decline, and options in the fields for names."""
        pool = "--dhcp-range=192.0.2.50,192.0.2.59,255.255.255.0,1h"
        server = self._dnsmasq(pool, "--dhcp-option=3,192.0.2.1,192.0.2.2", "--dhcp-option=15,depot.example",
                               "--enable-ra", "--dhcp-range=::,constructor:br0,ra-only")
        client = self._udhcpc_that_stays("-x", "hostname:head-1", "-V", "tram head", "-x", "61:00686561642d31",
                                         "-x", "82:0104676930370206000a00ff0001")
        client.send_signal(signal.SIGUSR1)
        time.sleep(1)
        self.ns.end(client)
        client = self._udhcpc_that_stays("-C", "-F", "head-1.depot.example", "-r", "198.51.100.77", "-O", "42", "-O", "121")
        self.ns.end(server)
        (self.folder / "leases").unlink()
        server = self._dnsmasq(f"--dhcp-range={TAKEN},{TAKEN},255.255.255.0,1h")
        client.send_signal(signal.SIGUSR1)  # no lease of this server: nak; then it is offered an address that is taken
        time.sleep(2)
        self.ns.end(client)
        self._udhcpc("-a500")
        self.ns.end(server)
        # More than the 576 octets that udhcpc takes: the server uses the fields for names (RFC 2132 §9.3).
        server = self._dnsmasq(pool, "--dhcp-option-force=60,a server of the depot", f"--dhcp-option-force=17,{'r' * 100}",
                               f"--dhcp-option-force=43,{'v' * 110}", f"--dhcp-option-force=40,{'n' * 50}", "--dhcp-option=3,192.0.2.1")
        self._udhcpc("-x", "hostname:head-2")
        self.ns.end(server)

    def announce(self):
        """Two daemons that probe for names, announce, answer each other, and say goodbye."""
        daemons = []
        for name in ("unit", "other"):
            folder = self.folder / f"avahi-{name}"
            (folder / "services").mkdir(parents=True, exist_ok=True)
            (folder / "avahi.conf").write_text(AVAHI.format(name=f"head-{name}"))
            if name == "unit":
                for file, (title, kind, port, texts) in SERVICES.items():
                    records = "".join(f"<txt-record>{text}</txt-record>" for text in texts)
                    (folder / "services" / f"{file}.service").write_text(
                        f"<?xml version='1.0'?><!DOCTYPE service-group SYSTEM 'avahi-service.dtd'><service-group><name>{title}</name>"
                        f"<service><type>{kind}</type><port>{port}</port>{records}</service></service-group>", encoding="utf-8")
            # Its folders are fixed at build time; ip-netns gives each command mounts of its own.
            daemons.append(self.ns.start(name, "sh", "-c",
                f"mount --bind {folder}/services /etc/avahi/services && mount -t tmpfs none /run && mkdir /run/avahi-daemon && "
                f"exec avahi-daemon --no-drop-root --no-chroot --no-rlimits -f {folder}/avahi.conf"))
        time.sleep(4)
        for daemon in daemons:
            self.ns.end(daemon)

    def _lldpd(self, where, device, *more):
        control = self.folder / f"lldpd-{where}"
        self.ns.start(where, "lldpd", "-d", "-u", control, "-I", device, *more)
        wait_until(lambda: run("lldpcli", "-u", control, "configure", "lldp", "tx-interval", "1", check=False).returncode == 0, 15, "lldpd")
        return control

    def describe(self):
        """LLDP with each power form in turn. `neighbours`: what the hub's lldpd makes of it."""
        hub = self._lldpd("hub", "port1", "-S", "a hub of a tram depot", "-M", "4")
        unit = self._lldpd("unit", "eth0", "-S", "a head of a tram depot", "-M", "3")

        def told():
            """Its answer has no interface until it has heard anyone."""
            answer = json.loads(run("lldpcli", "-u", hub, "-f", "json0", "show", "neighbors", "details").stdout)
            return (answer["lldp"][0].get("interface") or [{}])[0]

        def set_up(name, *words):
            for word in (*words, f"configure system hostname {name}"):  # the name last: what is told with it has all the rest
                run("lldpcli", "-u", unit, *word.split())
            wait_until(lambda: told().get("chassis", [{}])[0].get("name") == [{"value": name}], 10, f"the hub's lldpd hears {name}")
            self.neighbours[name] = told()
        port = "configure ports eth0"
        set_up("plain", "configure system interface pattern eth0",
               f"{port} med power pd source pse priority high value 12500",
               f"{port} med policy application streaming-video vlan 10 priority video dscp 24")
        for name, octets in POWER_BT.items():
            set_up(f"bt_{name}", "unconfigure ports eth0 lldp custom-tlv",
                   f"{port} lldp custom-tlv oui 00,12,0f subtype 2 oui-info {octets}")
        set_up("at_type_2", "unconfigure ports eth0 lldp custom-tlv",
               f"{port} dot3 power pd supported enabled powerpairs spare class class-4 type 2 source pse priority high "
               "requested 20000 allocated 15000")
        set_up("at_type_1", f"{port} dot3 power pse supported enabled paircontrol powerpairs signal class class-3 type 1 source primary "
               "priority critical requested 12900 allocated 15400")
        set_up("af", f"{port} dot3 power pse supported powerpairs spare class class-0")
        set_up("more", f"{port} lldp custom-tlv oui 00,80,c2 subtype 1 oui-info 00,0a",
               f"{port} lldp custom-tlv oui 00,80,c2 subtype 3 oui-info 00,0a,04,74,72,61,63",
               f"{port} lldp custom-tlv oui 00,80,c2 subtype 3 oui-info 00,14,04,73,74,6f,70",
               f"{port} lldp portidsubtype local head/1", "configure system chassisid head-1")

    def discover(self):
        """Hello, a client's probe and resolve with their matches, bye."""
        host = self.ns.start("unit", "wsdd", "-i", "eth0", "-n", "HEAD-1", "-w", "DEPOT", "-t", "-U",
                             "98190dc2-0890-4ef8-ac9a-5940995e6119")
        time.sleep(3)
        client = self.ns.start("hub", "wsdd", "-D", "-o", "-i", "br0", "-t")
        wait_until(lambda: b"discovery/ResolveMatches" in self.heard.read_bytes(), 20, "the client's probe, which it delays, and all after it")
        for process in (host, client):
            self.ns.end(process, signal.SIGINT)


def record(folder):
    """({link: file}, neighbours)."""
    with Depot(folder) as depot:
        recorder = Recorder(depot.ns, "hub", "port1", folder)
        for step in (depot.power_up, depot.resolve, depot.lease, depot.announce, depot.describe, depot.discover):
            step()
        return recorder.stop(), depot.neighbours


if __name__ == "__main__":
    files, neighbours = record(sys.argv[1])
    pathlib.Path(sys.argv[1], "neighbours.json").write_text(json.dumps(neighbours, indent=1))
    print(*files.values(), sep="\n")
