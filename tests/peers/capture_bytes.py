"""Captures as bytes, each header by its own standard; nothing here knows RTP. Times are nanoseconds, addresses text."""

import ipaddress
import struct

EPOCH_NS = 1_750_000_000 * 10**9
IPV4, IPV6 = 0x0800, 0x86dd
CAMERA_MAC, RECORDER_MAC = bytes.fromhex("020000000010"), bytes.fromhex("020000000020")
# https://www.tcpdump.org/linktypes.html
LINK_ETHERNET, LINK_RAW, LINK_COOKED, LINK_COOKED2, LINK_NULL, LINK_LOOP = 1, 101, 113, 276, 0, 108


def checksum(octets):  # RFC 1071
    if len(octets) % 2:
        octets += b"\0"
    total = sum(struct.unpack(f">{len(octets) // 2}H", octets))
    while total >> 16:
        total = (total & 0xffff) + (total >> 16)
    return total ^ 0xffff


class Host:
    """An address and a port; counts the IPv4 identification of what it sends (RFC 791)."""

    def __init__(self, address, port):
        self.address, self.port = ipaddress.ip_address(address), port
        self.packed, self.sent = self.address.packed, 0

    def __str__(self):
        return f"[{self.address}]:{self.port}" if self.address.version == 6 else f"{self.address}:{self.port}"

    def with_port(self, port):
        return Host(str(self.address), port)


def ip(source, destination, protocol, payload):
    """A whole IPv4 (RFC 791) or IPv6 (RFC 8200) packet. Longer than 65,535 octets: length 0, as offloading cards leave it."""
    source.sent += 1
    if source.address.version == 4:
        total = 20 + len(payload)
        head = struct.pack(">BBHHHBBH4s4s", 0x45, 0, total if total < 65536 else 0, source.sent & 0xffff, 0x4000, 64, protocol,
                           0, source.packed, destination.packed)
        return head[:10] + struct.pack(">H", checksum(head)) + head[12:] + payload
    length = len(payload) if len(payload) < 65536 else 0
    return struct.pack(">IHBB16s16s", 6 << 28, length, protocol, 64, source.packed, destination.packed) + payload


def transport_checksum(source, destination, protocol, octets):
    if source.address.version == 4:
        pseudo = source.packed + destination.packed + struct.pack(">BBH", 0, protocol, len(octets) & 0xffff)
    else:
        pseudo = source.packed + destination.packed + struct.pack(">II", len(octets), protocol)
    return checksum(pseudo + octets) or 0xffff


def udp(source, destination, payload):  # RFC 768
    head = struct.pack(">HHHH", source.port, destination.port, 8 + len(payload), 0)
    found = transport_checksum(source, destination, 17, head + payload)
    return ip(source, destination, 17, head[:6] + struct.pack(">H", found) + payload)


def tcp(source, destination, sequence, acknowledged, flags, payload=b""):  # RFC 9293 §3.1
    head = struct.pack(">HHIIBBHHH", source.port, destination.port, sequence & 0xffffffff, acknowledged & 0xffffffff, 5 << 4,
                       flags, 65000, 0, 0)
    found = transport_checksum(source, destination, 6, head + payload)
    return ip(source, destination, 6, head[:16] + struct.pack(">H", found) + head[18:] + payload)


def fragments(packet, room, identification):
    """An IP packet in pieces of at most `room` octets of payload, a multiple of 8 (RFC 791 §3.2, RFC 8200 §4.5).
    `identification` is IPv6's; IPv4's stands in the packet."""
    version = packet[0] >> 4
    begin = 20 if version == 4 else 40
    payload, out = packet[begin:], []
    for at in range(0, len(payload), room):
        part, more = payload[at:at + room], at + room < len(payload)
        if version == 4:
            head = packet[:2] + struct.pack(">H", 20 + len(part)) + packet[4:6] + \
                struct.pack(">H", (0x2000 if more else 0) | at // 8) + packet[8:10]
            head += struct.pack(">H", checksum(head + b"\0\0" + packet[12:20])) + packet[12:20]
            out.append(head + part)
        else:
            extra = struct.pack(">BBHI", packet[6], 0, at | more, identification)
            out.append(packet[:4] + struct.pack(">HB", 8 + len(part), 44) + packet[7:40] + extra + part)
    return out


def kind_of(packet):
    return IPV4 if packet[0] >> 4 == 4 else IPV6


def ethernet(packet, tags=()):
    """`tags`: (TPID, VLAN) from the outermost in (IEEE 802.1Q)."""
    words = b"".join(struct.pack(">HH", tpid, vlan) for tpid, vlan in tags)
    return RECORDER_MAC + CAMERA_MAC + words + struct.pack(">H", kind_of(packet)) + packet


def cooked(packet):
    return struct.pack(">HHH8sH", 0, 1, 6, CAMERA_MAC, kind_of(packet)) + packet


def cooked2(packet):
    return struct.pack(">HHIHBB8s", kind_of(packet), 0, 3, 1, 0, 6, CAMERA_MAC) + packet


def null(packet):
    """BSD loopback, host byte order; 30 is IPv6 on Darwin (tcpdump.org's list)."""
    return struct.pack("<I", 2 if kind_of(packet) == IPV4 else 30) + packet


LINKS = {
    "ethernet": (LINK_ETHERNET, ethernet),
    "vlan": (LINK_ETHERNET, lambda p: ethernet(p, [(0x8100, 20)])),
    "qinq": (LINK_ETHERNET, lambda p: ethernet(p, [(0x88a8, 100), (0x8100, 20)])),
    "three_tags": (LINK_ETHERNET, lambda p: ethernet(p, [(0x88a8, 7), (0x8100, 100), (0x8100, 20)])),
    "cooked": (LINK_COOKED, cooked),
    "cooked2": (LINK_COOKED2, cooked2),
    "raw": (LINK_RAW, lambda p: p),
    "null": (LINK_NULL, null),
}


def pcap(frames, link=LINK_ETHERNET, snap=262144, unit_ns=1, order="<"):
    """`frames`: (time_ns, octets) or (time_ns, octets, length on the wire), in the order of the file."""
    out = [struct.pack(order + "IHHiIII", 0xa1b23c4d if unit_ns == 1 else 0xa1b2c3d4, 2, 4, 0, 0, snap, link)]
    for time_ns, octets, *length in frames:
        out.append(struct.pack(order + "IIII", time_ns // 10**9, time_ns % 10**9 // unit_ns, min(len(octets), snap),
                               length[0] if length else len(octets)) + octets[:snap])
    return b"".join(out)


def block(kind, body, order):
    body += b"\0" * (-len(body) % 4)
    return struct.pack(order + "II", kind, 12 + len(body)) + body + struct.pack(order + "I", 12 + len(body))


def option(code, value, order):
    return struct.pack(order + "HH", code, len(value)) + value + b"\0" * (-len(value) % 4)


def pcapng(frames, links=(LINK_ETHERNET,), snap=0, resolution=9, order="<", drops=None):
    """draft-ietf-opsawg-pcapng. `frames`: (time_ns, octets[, interface]). `resolution`: ten to the minus that. `drops`:
    (received, dropped by the interface, dropped by the system) of interface 0, in a statistics block."""
    out = [block(0x0a0d0d0a, struct.pack(order + "IHHq", 0x1a2b3c4d, 1, 0, -1), order)]
    end = option(0, b"", order)
    for link in links:
        name = option(2, f"mirror{len(out)}".encode(), order)
        resolved = b"" if resolution == 6 else option(9, bytes([resolution]), order)  # 6 is what none means
        out.append(block(1, struct.pack(order + "HHI", link, 0, snap) + name + resolved + end, order))
    unit, last = 10**(9 - resolution), 0
    for time_ns, octets, *interface in frames:
        last = time_ns // unit
        kept = octets[:snap] if snap else octets
        head = struct.pack(order + "IIIII", *interface or (0,), last >> 32, last & 0xffffffff, len(kept), len(octets))
        out.append(block(6, head + kept, order))
    if drops:
        counts = b"".join(option(code, struct.pack(order + "Q", count), order) for code, count in zip((4, 5, 7), drops))
        out.append(block(5, struct.pack(order + "III", 0, last >> 32, last & 0xffffffff) + counts + end, order))
    return b"".join(out)
