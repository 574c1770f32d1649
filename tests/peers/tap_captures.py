"""Captures made of octets, the same each time, with the truth beside each: `CAPTURES[name]()` answers a Capture. By hand:
tap_captures.py FOLDER writes them all."""

import dataclasses
import gzip
import json
import pathlib
import random
import struct
import subprocess
import sys

import rtsp_captures
from capture_bytes import EPOCH_NS, LINKS, LINK_COOKED2, LINK_ETHERNET, Host, cooked2, ethernet, fragments, pcap, pcapng, udp
from rtp_truth import g711, h264, mangle, sender_report, truth

CAMERA, RECORDER = Host("198.51.100.10", 20000), Host("192.0.2.20", 30000)
CAMERA6, RECORDER6 = Host("2001:db8::10", 20000), Host("2001:db8::20", 30000)
GROUP = Host("233.252.0.9", 5000)  # MCAST-TEST-NET (RFC 6676)


@dataclasses.dataclass
class Capture:
    octets: bytes
    streams: list                       # what rtp_truth.truth() answers, each
    rtp_ports: tuple = (30000,)         # UDP, for tshark's -d
    rtsp: bool = False
    suffix: str = ".pcap"
    capture: dict = dataclasses.field(default_factory=dict)  # what must stand in the answer's `capture`
    tshark_cannot: str = ""             # why, where tshark 4.0 does not find these streams: the truth alone is compared


CAPTURES = {}


def capture(make):
    CAPTURES[make.__name__] = make
    return make


def frames(arrivals, source=CAMERA, destination=RECORDER, wrap=ethernet):
    return [(time_ns, wrap(udp(source, destination, octets))) for time_ns, octets in arrivals]


def by_time(*lists):
    return sorted((frame for one in lists for frame in one), key=lambda frame: frame[0])


def usual(ssrc=0x1000beef, seconds=4, **more):
    return mangle(h264(ssrc, seconds, start_ns=EPOCH_NS, **more), ssrc, loss=0.02, duplicates=0.01, reorder=0.02)


@capture
def clean_h264():
    sent = h264(0x1000beef, 4, start_ns=EPOCH_NS)
    return Capture(pcap(frames(sent)), [truth(sent, CAMERA, RECORDER)])


@capture
def clean_g711():
    sent = g711(0x0711, 10, start_ns=EPOCH_NS)
    return Capture(pcap(frames(sent)), [truth(sent, CAMERA, RECORDER, clock_hz=8000)])


@capture
def lossy_h264():
    came = usual(seconds=10)
    return Capture(pcap(frames(came)), [truth(came, CAMERA, RECORDER)])


@capture
def lossy_g711():
    came = mangle(g711(0x0711, 20, start_ns=EPOCH_NS), 3, loss=0.03, duplicates=0.01, reorder=0.02)
    return Capture(pcap(frames(came)), [truth(came, CAMERA, RECORDER, clock_hz=8000)])


@capture
def numbers_wrap():
    """Loss and changed order around 65535 -> 0, and RTP time over 2^32."""
    came = usual(seconds=6, sequence=65400, rtp_time=0xfffe0000)
    return Capture(pcap(frames(came)), [truth(came, CAMERA, RECORDER)])


@capture
def two_sources_one_port():
    one, two = usual(0xaaaa0001), usual(0xaaaa0002, sequence=30000, rtp_time=777)
    return Capture(pcap(by_time(frames(one), frames(two))), [truth(one, CAMERA, RECORDER), truth(two, CAMERA, RECORDER)])


@capture
def multicast():
    came = usual()
    return Capture(pcap(frames(came, destination=GROUP)), [truth(came, CAMERA, GROUP, "multicast")], (5000,))


@capture
def ipv6():
    came = usual()
    return Capture(pcap(frames(came, CAMERA6, RECORDER6)), [truth(came, CAMERA6, RECORDER6)])


def over_link(name, hosts=(CAMERA, RECORDER)):
    link, wrap = LINKS[name]
    came = usual()
    return Capture(pcap(frames(came, *hosts, wrap), link), [truth(came, *hosts)])


for link_name in LINKS:
    CAPTURES[f"link_{link_name}"] = lambda name=link_name: over_link(name)
    CAPTURES[f"link_{link_name}_ipv6"] = lambda name=link_name: over_link(name, (CAMERA6, RECORDER6))


def in_pieces(source, destination, shuffled=False, gone=0):
    """Packets of 3,000 octets in fragments of 1,480. `gone`: each that many-th packet's second fragment is missing, so
    that the packet never was whole."""
    sent, drawn, out, came = h264(0xf7a6, 6, start_ns=EPOCH_NS, packet=3000), random.Random(5), [], []
    for i, (time_ns, octets) in enumerate(sent):
        parts = fragments(udp(source, destination, octets), 1480, 0x70000000 + i)
        lost = gone and i % gone == gone // 2 and len(parts) > 1
        if lost:
            del parts[1]
        if shuffled:
            drawn.shuffle(parts)
        out += [(time_ns + 1000 * j, ethernet(part)) for j, part in enumerate(parts)]
        if not lost:
            came.append((time_ns + 1000 * (len(parts) - 1), octets))
    return Capture(pcap(by_time(out)), [truth(came, source, destination)])


for version, pair in (("4", (CAMERA, RECORDER)), ("6", (CAMERA6, RECORDER6))):
    CAPTURES[f"fragments{version}"] = lambda pair=pair: in_pieces(*pair)
    CAPTURES[f"fragments{version}_out_of_order"] = lambda pair=pair: in_pieces(*pair, shuffled=True)
    CAPTURES[f"fragments{version}_missing"] = lambda pair=pair: in_pieces(*pair, gone=20)


@capture
def snapped():
    """96 octets of each: RTP's header is there, most of the payload is not."""
    came = usual()
    return Capture(pcap(frames(came), snap=96), [truth(came, CAMERA, RECORDER)])


def in_format(write, unit_ns=1, suffix=".pcap", **more):
    came = [(time_ns // unit_ns * unit_ns, octets) for time_ns, octets in usual()]
    return Capture(write(frames(came)), [truth(came, CAMERA, RECORDER)], suffix=suffix, **more)


def overrun(made):
    """A capture that says it lost packets: what is missing may be its own loss, so that the network's is not known."""
    made.capture = {"dropped_by_kernel_packets": 37, "dropped_by_interface_packets": 3}
    for stream in made.streams:
        stream.update(missing_packets=stream["lost_packets"], lost_packets=None)
    return made


FORMATS = {
    "pcap_us": lambda: in_format(lambda f: pcap(f, unit_ns=1000), 1000),
    "pcap_big_endian": lambda: in_format(lambda f: pcap(f, order=">")),
    "pcap_us_big_endian": lambda: in_format(lambda f: pcap(f, unit_ns=1000, order=">"), 1000),
    "pcapng_ns": lambda: in_format(pcapng, suffix=".pcapng"),
    "pcapng_us": lambda: in_format(lambda f: pcapng(f, resolution=6), 1000, ".pcapng"),
    "pcapng_ms": lambda: in_format(lambda f: pcapng(f, resolution=3), 1_000_000, ".pcapng"),
    "pcapng_big_endian": lambda: in_format(lambda f: pcapng(f, order=">"), suffix=".pcapng"),
    "pcapng_snapped": lambda: in_format(lambda f: pcapng(f, snap=96), suffix=".pcapng"),
    "pcapng_drops": lambda: overrun(in_format(lambda f: pcapng(f, drops=(5000, 3, 37)), suffix=".pcapng")),
    "gzipped": lambda: in_format(lambda f: gzip.compress(pcap(f), mtime=0), suffix=".pcap.gz"),
    "zstd": lambda: in_format(lambda f: zstd(pcap(f)), suffix=".pcap.zst"),
    "gzipped_pcapng": lambda: in_format(lambda f: gzip.compress(pcapng(f), mtime=0), suffix=".pcapng.gz"),
}
CAPTURES.update(FORMATS)


def zstd(octets):
    return subprocess.run(["zstd", "-q", "-c"], input=octets, stdout=subprocess.PIPE, check=True).stdout


@capture
def two_sections():
    """A pcapng file as two were put behind each other: interface 0 means another link in the second."""
    came = usual()
    half = len(came) // 2
    octets = pcapng(frames(came[:half])) + pcapng(frames(came[half:], wrap=cooked2), (LINK_COOKED2,), order=">")
    return Capture(octets, [truth(came, CAMERA, RECORDER)], suffix=".pcapng")


@capture
def two_interfaces():
    one, two = usual(0xaaaa0001), usual(0xaaaa0002, sequence=30000)
    there = RECORDER.with_port(30002)
    second = [(*frame, 1) for frame in frames(two, destination=there, wrap=cooked2)]
    octets = pcapng(by_time(frames(one), second), (LINK_ETHERNET, LINK_COOKED2))
    return Capture(octets, [truth(one, CAMERA, RECORDER), truth(two, CAMERA, there)], (30000, 30002), suffix=".pcapng")


def noise(seconds=4):
    """UDP that is no RTP, some of it with a first octet from 0x80 to 0xbf."""
    drawn, out = random.Random(17), []
    one, other = Host("198.51.100.77", 40000), Host("192.0.2.77", 41000)

    def flow(port, every_ns, make):
        there = other.with_port(port)
        for i in range(seconds * 10**9 // every_ns):
            out.append((EPOCH_NS + i * every_ns + 777 + port, ethernet(udp(one.with_port(40000 + port % 999), there, make(i)))))

    def octets(count):
        return drawn.randbytes(count)
    flow(53, 40_000_000, lambda i: struct.pack(">HHHHHH", drawn.randrange(0x8000, 0xc000), 0x100, 1, 0, 0, 0) +
         b"\x04unit\x07example\0\0\1\0\1")
    flow(443, 2_000_000, lambda i: bytes([0xc0 | drawn.randrange(64)]) + b"\0\0\0\1\x08" + octets(1200) if i < 5
         else bytes([0x40 | drawn.randrange(64)]) + octets(1200))
    flow(6000, 3_000_000, lambda i: bytes([drawn.randrange(0x80, 0xc0)]) + octets(700))
    flow(3478, 50_000_000, lambda i: struct.pack(">HHI", 1, 8, 0x2112a442) + octets(12) + b"\x80\x22\0\4unit")  # RFC 8489
    flow(514, 30_000_000, lambda i: f"<134>1 2025-06-15T15:06:40Z unit door - - - count {i}".encode())
    # Version 2, a payload type, a counter, and what could be an SSRC: but no clock runs in octets 4 to 7.
    flow(7000, 5_000_000, lambda i: struct.pack(">BBH", 0x80, 97, i) + octets(4) + b"\1\2\3\4" + octets(300))
    # The same with a clock but with numbers that do not follow each other.
    flow(7002, 5_000_000, lambda i: struct.pack(">BBHI", 0x80, 97, drawn.randrange(65536), i * 450) + b"\1\2\3\5" + octets(300))
    # Nothing but 0x80 and zeros; RTCP without RTP.
    flow(7004, 9_000_000, lambda i: b"\x80" + b"\0" * 99)
    flow(7007, 500_000_000, lambda i: sender_report(9, i * 45000, i, i * 100, EPOCH_NS + i * 500_000_000))
    return out


@capture
def noise_alone():
    return Capture(pcap(by_time(noise())), [])


@capture
def noise_around():
    came = usual()
    return Capture(pcap(by_time(noise(), frames(came))), [truth(came, CAMERA, RECORDER)])


@capture
def with_rtcp():
    came = usual()
    there, here = RECORDER.with_port(30001), CAMERA.with_port(20001)
    sent, reports = h264(0x1000beef, 4), []
    for i in range(5):
        before = [octets for when, octets in sent if when < i * 900_000_000]
        counts = len(before), sum(map(len, before)) - 12 * len(before)
        time_ns = EPOCH_NS + i * 900_000_000
        reports.append((time_ns, sender_report(0x1000beef, 5000 + 81000 * i, *counts, time_ns)))
    return Capture(pcap(by_time(frames(came), frames(reports, here, there))), [truth(came, CAMERA, RECORDER)])


@capture
def cut_off():
    """The last record ends in its middle."""
    came = usual()
    whole = [came[i] for i in range(len(came) - 1)]
    return Capture(pcap(frames(came))[:-100], [truth(whole, CAMERA, RECORDER)])


@capture
def damaged():
    """In the middle of the file a record says that it is 3,000,000,000 octets long."""
    came = h264(0x1000beef, 4, start_ns=EPOCH_NS)
    half = len(came) // 2
    octets = pcap(frames(came[:half]))
    rest = bytearray(pcap(frames(came[half:]))[24:])
    rest[8:12] = struct.pack("<I", 3_000_000_000)
    return Capture(octets + rest, [truth(came[:half], CAMERA, RECORDER)])


for rtsp_name, rtsp_make in rtsp_captures.CAPTURES.items():
    CAPTURES[rtsp_name] = lambda make=rtsp_make: Capture(**make())


def write(name, folder):
    """Answers (file, Capture)."""
    made = CAPTURES[name]()
    file = pathlib.Path(folder) / (name + made.suffix)
    file.write_bytes(made.octets)
    return file, made


def main():
    for name in CAPTURES:
        file, made = write(name, sys.argv[1])
        file.with_name(name + ".json").write_text(json.dumps(made.streams, indent=1))
        print(f"{file}: {len(made.octets)} octets, {len(made.streams)} streams")


if __name__ == "__main__":
    main()
