"""What listening costs and how soon an arrival is told, with the service in a namespace and its units at the other end of a veth:

- a site powers up at once: from the first frame of each of 500 units to its `arrived` on the event feed;
- 5,000 units of a design, each with what a unit says when it powers up: memory of the service;
- 1 Gbit/s of video passing the interface: CPU of the service and of the frames' way through the kernel's filter;
- a /22 swept at the usual rate: how long, and the rate as the other end sees it.

    arrivals_bench.py BIN [--only burst|memory|video|sweep] [--rounds 3]
"""

import argparse
import ctypes
import json
import os
import pathlib
import signal
import socket
import statistics
import struct
import sys
import tempfile
import threading
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "support"))
from namespaces import Namespaces, run, wait_until  # noqa: E402


def setns(descriptor):
    if ctypes.CDLL(None, use_errno=True).setns(descriptor, 0) != 0:
        raise OSError(ctypes.get_errno(), "setns")


def design_of(cameras):
    """A made-up depot with as many cameras; documentation range 198.18.0.0/15 (RFC 2544) for there are many."""
    return {"format": 1, "site": {"name": "A depot"}, "switches": [{"id": "sw", "address": "198.51.100.2", "ports": [f"p{n}" for n in range(cameras)]}],
            "cameras": [{"id": f"c{n}", "switch": "sw", "port": f"p{n}", "address": address(n), "hardware_address": mac_text(n), "link_speed_mbps": 100,
                         "heads": [{"id": "1", "streams": [{"id": "main", "codec": "H264", "width_px": 1920, "height_px": 1080, "frame_rate_hz": 25,
                                                            "bit_rate_kbps": 4000, "path": "/main"}]}]} for n in range(cameras)]}


def address(n):
    return f"198.18.{n // 250}.{n % 250 + 1}"


def mac_text(n):
    return f"02:00:5e:20:{n >> 8:02x}:{n & 255:02x}"


def mac(n):
    return bytes.fromhex(mac_text(n).replace(":", ""))


def announcement(n):
    """RFC 5227 §1.1."""
    ip = socket.inet_aton(address(n))
    return b"\xff" * 6 + mac(n) + b"\x08\x06\x00\x01\x08\x00\x06\x04\x00\x01" + mac(n) + ip + b"\0" * 6 + ip + b"\0" * 18


def udp(source_mac, to_mac, source, to, source_port, port, payload):
    length = 28 + len(payload)
    head = struct.pack("!BBHHHBBH4s4s", 0x45, 0, length, 0, 0, 255, 17, 0, socket.inet_aton(source), socket.inet_aton(to))
    total = sum(struct.unpack("!10H", head))
    total = (total & 0xffff) + (total >> 16)
    head = head[:10] + struct.pack("!H", ~(total + (total >> 16)) & 0xffff) + head[12:]
    return to_mac + source_mac + b"\x08\x00" + head + struct.pack("!HHHH", source_port, port, 8 + len(payload), 0) + payload


def dhcp_discover(n):
    """RFC 2131 with host name, vendor class and parameter list."""
    name = f"head-{n}".encode()
    options = b"\x63\x82\x53\x63\x35\x01\x01\x0c" + bytes([len(name)]) + name + b"\x3c\x04cam1\x37\x04\x01\x03\x06\x2a\xff"
    bootp = struct.pack("!BBBBIHH", 1, 1, 6, 0, n, 0, 0x8000) + b"\0" * 16 + mac(n) + b"\0" * 202 + options
    return udp(mac(n), b"\xff" * 6, "0.0.0.0", "255.255.255.255", 68, 67, bootp)


def hello(n):
    """WS-Discovery Hello with the scopes of ONVIF Core."""
    scopes = " ".join(f"onvif://www.onvif.org/{s}" for s in ("Profile/Streaming", "type/video_encoder", "hardware/M4", f"name/head-{n}", "location/hall"))
    text = (f'<e:Envelope xmlns:e="http://www.w3.org/2003/05/soap-envelope" xmlns:a="http://schemas.xmlsoap.org/ws/2004/08/addressing" '
            f'xmlns:d="http://schemas.xmlsoap.org/ws/2005/04/discovery" xmlns:n="http://www.onvif.org/ver10/network/wsdl"><e:Header>'
            f'<a:MessageID>urn:uuid:00000000-0000-4000-8000-{n:012x}</a:MessageID><a:To>urn:schemas-xmlsoap-org:ws:2005:04:discovery</a:To>'
            f'<a:Action>http://schemas.xmlsoap.org/ws/2005/04/discovery/Hello</a:Action><d:AppSequence InstanceId="1" MessageNumber="1"/></e:Header>'
            f'<e:Body><d:Hello><a:EndpointReference><a:Address>urn:uuid:10000000-0000-4000-8000-{n:012x}</a:Address></a:EndpointReference>'
            f'<d:Types>n:NetworkVideoTransmitter</d:Types><d:Scopes>{scopes}</d:Scopes><d:XAddrs>http://{address(n)}/onvif/device_service</d:XAddrs>'
            f'<d:MetadataVersion>1</d:MetadataVersion></d:Hello></e:Body></e:Envelope>')
    return udp(mac(n), bytes.fromhex("01005e7ffffa"), address(n), "239.255.255.250", 3702, 3702, text.encode())


def solicitation(n):
    """Duplicate-address detection of the link-local address (RFC 4862 §5.4.2)."""
    own = mac(n)
    link_local = b"\xfe\x80" + b"\0" * 6 + bytes([own[0] ^ 2]) + own[1:3] + b"\xff\xfe" + own[3:]
    group = bytes.fromhex("ff0200000000000000000001ff") + link_local[13:]
    body = b"\x87\0\0\0\0\0\0\0" + link_local
    pseudo = b"\0" * 16 + group + struct.pack("!II", len(body), 58) + body
    total = sum(struct.unpack(f"!{len(pseudo) // 2}H", pseudo))
    total = (total & 0xffff) + (total >> 16)
    body = body[:2] + struct.pack("!H", ~(total + (total >> 16)) & 0xffff) + body[4:]
    return b"\x33\x33\xff" + group[13:] + own + b"\x86\xdd" + struct.pack("!IHBB", 0x60000000, len(body), 58, 255) + b"\0" * 16 + group + body


class Bench:
    def __init__(self, binaries, cameras, ns, folder):
        self.ns, self.folder, self.bin = ns, pathlib.Path(folder), pathlib.Path(binaries)
        self.cameras = cameras
        (self.folder / "design.json").write_text(json.dumps(design_of(cameras)))
        secrets = self.folder / "secrets.json"
        secrets.touch(0o600)
        secrets.write_text("{}")
        self.socket = self.folder / "s.sock"
        log = open(self.folder / "log", "w+")
        self.service = ns.start("box", self.bin / "tallywired", "--design", self.folder / "design.json", "--secrets", secrets, "--interface", "eth0",
                                "--record", self.folder / "record", "--socket", self.socket, "--loopback-port", "0", stderr=log)
        wait_until(lambda: "the page is on" in (self.folder / "log").read_text(), 20, "the service")
        pids = run("ip", "netns", "pids", ns.name("box")).stdout.split()
        self.pid = next(int(p) for p in pids if "tallywired" in pathlib.Path(f"/proc/{p}/comm").read_text())

    def sender(self):
        """A packet socket within the units' namespace."""
        here = os.open("/proc/self/ns/net", os.O_RDONLY)
        there = os.open(f"/var/run/netns/{self.ns.name('units')}", os.O_RDONLY)
        setns(there)
        out = socket.socket(socket.AF_PACKET, socket.SOCK_RAW)
        out.bind(("eth0", 0))
        setns(here)
        os.close(here)
        os.close(there)
        return out

    def listen(self, found, done):
        """The event feed as a client reads it: camera -> time of receipt."""
        feed = socket.socket(socket.AF_UNIX)
        feed.connect(str(self.socket))
        feed.sendall(b"GET /api/events HTTP/1.1\r\nHost: localhost\r\nAccept: text/event-stream\r\n\r\n")
        feed.settimeout(0.5)
        rest = b""
        while not done.is_set():
            try:
                piece = feed.recv(1 << 16)
            except TimeoutError:
                continue
            if not piece:
                raise RuntimeError("the feed has ended: " + rest.decode()[-300:])
            rest += piece
            now = time.time()
            lines = rest.split(b"\n")
            rest = lines.pop()
            for line in lines:
                if line.startswith(b"data:") and b'"presence":"arrived"' in line:
                    found.setdefault(json.loads(line[5:])["camera"], now)

    def memory_mib(self):
        status = pathlib.Path(f"/proc/{self.pid}/status").read_text()
        return {key: int(next(line for line in status.splitlines() if line.startswith(key)).split()[1]) / 1024 for key in ("VmRSS", "VmHWM")}

    def cpu_s(self):
        fields = pathlib.Path(f"/proc/{self.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def ask(self, path):
        feed = socket.socket(socket.AF_UNIX)
        feed.settimeout(20)
        feed.connect(str(self.socket))
        feed.sendall(f"GET {path} HTTP/1.0\r\nHost: localhost\r\n\r\n".encode())
        answer = b""
        while piece := feed.recv(1 << 16):
            answer += piece
        return json.loads(answer.split(b"\r\n\r\n", 1)[1])

    def end(self):
        self.ns.end(self.service, signal.SIGTERM)


def burst(bench, units):
    found, done = {}, threading.Event()
    thread = threading.Thread(target=bench.listen, args=(found, done), daemon=True)
    thread.start()
    out = bench.sender()
    time.sleep(1)
    sent = {}
    for n in range(units):
        sent[f"c{n}"] = time.time()
        out.send(announcement(n))
    took_s = time.time() - sent["c0"]
    wait_until(lambda: len(found) >= units, 20, "every arrival")
    done.set()
    thread.join()
    late = sorted((found[c] - sent[c]) * 1000 for c in sent)
    return {"units": units, "sent_in_ms": round(took_s * 1000, 1), "median_ms": round(statistics.median(late), 2),
            "p99_ms": round(late[int(len(late) * 0.99)], 2), "slowest_ms": round(late[-1], 2)}


def memory(bench, units):
    before = bench.memory_mib()
    out = bench.sender()
    for n in range(units):
        for frame in (solicitation(n), dhcp_discover(n), announcement(n), hello(n)):
            out.send(frame)
        if n % 50 == 49:
            time.sleep(0.05)
    wait_until(lambda: all(c["presence"] == "arrived" for c in bench.ask("/api/roll")["cameras"]), 30, "every arrival")
    facts = sum(len(u["facts"]) for u in bench.ask("/api/units")["units"])
    time.sleep(12)  # the record is written, conflicts are looked for
    after = bench.memory_mib()
    return {"units": units, "facts": facts, "before_mib": round(before["VmRSS"], 1), "resident_mib": round(after["VmRSS"], 1),
            "peak_mib": round(after["VmHWM"], 1)}


def video(bench, seconds=10):
    idle = bench.cpu_s()
    time.sleep(seconds)
    idle = bench.cpu_s() - idle
    blast = bench.ns.start("units", bench.bin / "udp_blast", "eth0", "--pps", 90000, "--octets", 1400, "--streams", 250, "--seconds", seconds + 4,
                           stdout=open(bench.folder / "blast.json", "w"))
    time.sleep(2)
    busy = bench.cpu_s()
    time.sleep(seconds)
    busy = bench.cpu_s() - busy
    blast.wait(30)
    sent = json.loads((bench.folder / "blast.json").read_text())
    return {"sent": sent, "cpu_idle_ratio": round(idle / seconds, 4), "cpu_with_video_ratio": round(busy / seconds, 4)}


def sweep(bench):
    capture = bench.folder / "sweep.pcap"
    log = open(bench.folder / "dump.log", "w+")
    dump = bench.ns.start("units", "tcpdump", "-U", "-nn", "-i", "eth0", "-w", capture, "arp", stderr=log)
    wait_until(lambda: "listening on" in (bench.folder / "dump.log").read_text(), 10, "tcpdump")
    began = time.monotonic()
    done = bench.ns.run("box", bench.bin / "tallywire", "arrivals", "--sweep", "203.0.112.0/22", "--socket", bench.socket, "--json", check=False)
    took_s = time.monotonic() - began
    assert done.returncode == 0, done.stderr
    time.sleep(0.5)
    bench.ns.end(dump)
    rows = run("tshark", "-r", capture, "-Y", "arp.opcode == 1", "-T", "fields", "-e", "frame.time_epoch", "-e", "arp.dst.proto_ipv4").stdout.splitlines()
    times = sorted(float(r.split()[0]) for r in rows if r.split()[1].startswith("203.0.11"))
    fastest = max(sum(t <= u < t + 1 for u in times) for t in times)
    return {"addresses": len(times), "took_s": round(took_s, 2), "asked_in_s": round(times[-1] - times[0], 2), "most_in_one_second": fastest}


def main():
    arguments = argparse.ArgumentParser()
    arguments.add_argument("bin")
    arguments.add_argument("--only")
    arguments.add_argument("--rounds", type=int, default=3)
    chosen = arguments.parse_args()
    parts = [("burst", 500, chosen.rounds, lambda b: burst(b, 500)), ("memory", 5000, 1, lambda b: memory(b, 5000)),
             ("video", 40, chosen.rounds, video), ("sweep", 1, 1, sweep)]
    for name, cameras, rounds, part in parts:
        for _ in range(rounds if not chosen.only or chosen.only == name else 0):
            with Namespaces("box", "units") as ns, tempfile.TemporaryDirectory(prefix="tallywire-bench-") as folder:
                ns.cable("box", "units", address_a="198.51.100.20/24")
                bench = Bench(chosen.bin, cameras, ns, folder)
                print(name, json.dumps(part(bench)), flush=True)
                bench.end()


if __name__ == "__main__":
    main()
