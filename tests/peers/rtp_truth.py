"""RTP packets as a camera makes them, what a path does to them, and what a meter must then say. An arrival is (time_ns,
octets of the RTP packet)."""

import collections
import random
import struct

# As in tests/bench/stream_shape.cpp: Main profile, level 3.1, 1280x720, 25 frames/s.
SPS = bytes.fromhex("674d001fa6805005ba100000030010000003032840")
PPS = bytes.fromhex("68ee3880")
SETS_BASE64 = "Z00AH6aAUAW6EAAAAwAQAAADAyhA,aO44gA=="
PACKET = 1400
Arrival = collections.namedtuple("Arrival", "time_s sequence rtp_time")


def rtp(kind, marker, sequence, rtp_time, ssrc, payload):  # RFC 3550 §5.1
    return struct.pack(">BBHII", 0x80, marker << 7 | kind, sequence & 0xffff, rtp_time & 0xffffffff, ssrc) + payload


def h264(ssrc, seconds, sequence=1000, rtp_time=5000, kind=96, start_ns=0, bps=1_000_000, fps=25, packet=PACKET):
    """IDR each second, five times as large as the P slices between; FU-A and STAP-A (RFC 6184 §5.7.1, §5.8). A frame's
    packets follow each other at 100 Mbit/s."""
    drawn, out = random.Random(ssrc), []
    each = bps // 8 // (fps - 1 + 5)
    for frame in range(int(seconds * fps)):
        key = frame % fps == 0
        payloads = [b"\x78" + b"".join(struct.pack(">H", len(s)) + s for s in (SPS, PPS))] if key else []
        head = b"\x65\x88\x82\x7f" if key else bytes([0x41, 0xe0 | frame % fps & 31, 0x1f])
        nal = head + bytes(drawn.choices(range(1, 256), k=each * (5 if key else 1)))
        room = packet - 14
        for at in range(1, len(nal), room):
            ends = (0x80 if at == 1 else 0) | (0x40 if at + room >= len(nal) else 0)
            payloads.append(bytes([nal[0] & 0x60 | 28, ends | nal[0] & 31]) + nal[at:at + room])
        time_ns = start_ns + frame * 10**9 // fps
        for i, payload in enumerate(payloads):
            time_ns += (len(payload) + 78) * 80  # RTP, UDP, IPv4, Ethernet, FCS, preamble, gap
            out.append((time_ns, rtp(kind, i == len(payloads) - 1, sequence + len(out), rtp_time + frame * 90000 // fps, ssrc,
                                     payload)))
    return out


def g711(ssrc, seconds, sequence=40000, rtp_time=160, start_ns=0, wobble_ns=3_000_000):
    """PCMU, payload type 0, 8 kHz, 20 ms a packet (RFC 3551 §4.5.14); each late by up to `wobble_ns`."""
    drawn, out = random.Random(ssrc), []
    for i in range(int(seconds * 50)):
        time_ns = start_ns + i * 20_000_000 + drawn.randrange(wobble_ns)
        out.append((time_ns, rtp(0, i == 0, sequence + i, rtp_time + 160 * i, ssrc, bytes(drawn.choices(range(256), k=160)))))
    return out


def mangle(arrivals, seed, loss=0.0, duplicates=0.0, reorder=0.0):
    """Lost, doubled a little later, or held back behind up to three others; the first and last five are left alone, as
    what is lost there nobody can know of."""
    drawn, out = random.Random(seed), []
    for i, (time_ns, octets) in enumerate(arrivals):
        spare = 5 <= i < len(arrivals) - 5
        if spare and drawn.random() < loss:
            continue
        if spare and drawn.random() < reorder:
            time_ns = arrivals[i + drawn.randint(1, 3)][0] + 1000
        out.append((time_ns, octets))
        if spare and drawn.random() < duplicates:
            out.append((arrivals[i + drawn.randint(0, 2)][0] + 2000, octets))
    return sorted(out, key=lambda arrival: arrival[0])


def order_of(packets):
    """(lost, duplicates, reordered): a packet is reordered when it is new and a later one came before it (RFC 4737 §3.3);
    numbers continue over 65535."""
    highest, seen, duplicates, reordered = packets[0].sequence, set(), 0, 0
    for packet in packets:
        delta = (packet.sequence - highest + 0x8000) % 0x10000 - 0x8000
        number = highest + delta
        if number in seen:
            duplicates += 1
            continue
        reordered += number < highest
        seen.add(number)
        highest = max(highest, number)
    return max(seen) - min(seen) + 1 - len(seen), duplicates, reordered


def jitter_ms(packets, clock_hz):
    """RFC 3550 A.8 in floating point, over every packet in the order of arrival."""
    jitter = 0.0
    for before, packet in zip(packets, packets[1:]):
        stamps = (packet.rtp_time - before.rtp_time + 0x80000000) % 0x100000000 - 0x80000000
        difference = (packet.time_s - before.time_s) * clock_hz - stamps
        jitter += (abs(difference) - jitter) / 16
    return jitter * 1000 / clock_hz


def truth(arrivals, source, destination, transport="udp", clock_hz=90000, **more):
    """What a meter must say of these arrivals, under the names of design.md."""
    kind, ssrc = arrivals[0][1][1] & 0x7f, int.from_bytes(arrivals[0][1][8:12], "big")
    packets = [Arrival(time_ns / 1e9, *struct.unpack(">HI", octets[2:8])) for time_ns, octets in arrivals]
    lost, duplicates, reordered = order_of(packets)
    return {"ssrc": ssrc, "payload_type": kind, "source": str(source), "destination": str(destination), "transport": transport,
            "packets": len(packets), "lost_packets": lost, "duplicate_packets": duplicates, "reordered_packets": reordered,
            "jitter_ms": jitter_ms(packets, clock_hz), **more}


def sender_report(ssrc, rtp_time, packets, octets, time_ns):
    """SR and SDES with a CNAME (RFC 3550 §6.4.1, §6.5)."""
    seconds = time_ns // 10**9 + 2_208_988_800  # 1900 to 1970
    part = (time_ns % 10**9 << 32) // 10**9
    report = struct.pack(">BBHIIIIII", 0x80, 200, 6, ssrc, seconds, part, rtp_time & 0xffffffff, packets, octets)
    return report + struct.pack(">BBHI", 0x81, 202, 4, ssrc) + b"\x01\x08unit@one" + b"\0\0"
