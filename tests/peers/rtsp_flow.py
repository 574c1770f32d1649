"""An RTSP session on its TCP connection, as a mirror port sees it: what both ends say, cut into segments; and what can
happen to segments on the way, or to the capture. RFC 2326 (RTSP, §10.12 interleaving), RFC 9293 (TCP)."""

import collections
import random
import struct

from capture_bytes import tcp
from rtp_truth import SETS_BASE64

SYN, ACK, PSH, FIN = 2, 16, 8, 1
# `at`: offset in what this side says, from 0 on. `acknowledged`: the same of the other side.
Segment = collections.namedtuple("Segment", "time_ns server at octets flags acknowledged")
Event = collections.namedtuple("Event", "time_ns server octets")

VIDEO = f"""m=video 0 RTP/AVP 96
a=rtpmap:96 H264/90000
a=fmtp:96 packetization-mode=1;profile-level-id=4d001f;sprop-parameter-sets={SETS_BASE64}
a=framerate:25
a=control:track1
"""
AUDIO = "m=audio 0 RTP/AVP 0\na=rtpmap:0 PCMU/8000\na=control:track2\n"


class Dialogue:
    """Requests and answers, one after another from `time_ns` on."""

    def __init__(self, url, time_ns, server_address, media=(VIDEO,)):
        self.url, self.time_ns, self.number, self.events = url, time_ns, 0, []
        self.media, self.server_address = media, server_address

    def say(self, server, text, body=""):
        self.time_ns += 2_000_000
        self.events.append(Event(self.time_ns, server, (text.replace("\n", "\r\n") + "\r\n\r\n" + body).encode()))

    def ask(self, method, url, request="", answer="", body=""):
        self.number += 1
        head = f"CSeq: {self.number}"
        self.say(False, f"{method} {url} RTSP/1.0\n{head}\nUser-Agent: recorder{request}")
        self.say(True, f"RTSP/1.0 200 OK\n{head}{answer}", body)

    def describe(self):
        self.ask("OPTIONS", self.url, answer="\nPublic: OPTIONS, DESCRIBE, SETUP, PLAY, TEARDOWN, GET_PARAMETER")
        sdp = f"v=0\no=- 1 1 IN IP4 {self.server_address}\ns=door\nc=IN IP4 0.0.0.0\nt=0 0\na=control:*\n" + "".join(self.media)
        body = sdp.replace("\n", "\r\n")
        self.ask("DESCRIBE", self.url, "\nAccept: application/sdp", f"\nContent-Base: {self.url}/\nContent-Type: application/sdp"
                 f"\nContent-Length: {len(body)}", body)

    def setup(self, track, asked, granted):
        self.ask("SETUP", f"{self.url}/track{track}", f"\nTransport: {asked}" + ("\nSession: 7" if track > 1 else ""),
                 f"\nSession: 7;timeout=60\nTransport: {granted}")

    def play(self, firsts):
        """`firsts`: a track's first RTP packet, each (RFC 2326 §12.33)."""
        info = ",".join(f"url={self.url}/track{i + 1};seq={int.from_bytes(p[2:4], 'big')};rtptime="
                        f"{int.from_bytes(p[4:8], 'big')}" for i, p in enumerate(firsts))
        self.ask("PLAY", f"{self.url}/", "\nSession: 7\nRange: npt=0.000-", f"\nSession: 7\nRTP-Info: {info}")

    def keep_alive(self, time_ns):
        self.time_ns = time_ns
        self.ask("GET_PARAMETER", f"{self.url}/", "\nSession: 7", "\nSession: 7")

    def teardown(self, time_ns):
        self.time_ns = time_ns
        self.ask("TEARDOWN", f"{self.url}/", "\nSession: 7", "\nSession: 7")


def framed(channel, octets):
    return struct.pack(">cBH", b"$", channel, len(octets)) + octets


def cut(events, longest, seed=0):
    """Segments of arbitrary length up to `longest` (exactly that with seed 0). What one side has to say is sent off when
    it pauses for a millisecond or when the other side speaks."""
    drawn, out, said = random.Random(seed), [], [0, 0]
    events = sorted(events, key=lambda event: event.time_ns)
    pending = b""
    for event, after in zip(events, [*events[1:], None]):
        pending += event.octets
        last = after is None or after.server != event.server or after.time_ns - event.time_ns > 1_000_000
        moved = 0
        while pending:
            length = drawn.randint(1, longest) if seed else longest
            if len(pending) < length and not last:
                break
            part, pending = pending[:length], pending[length:]
            out.append(Segment(event.time_ns + moved, event.server, said[event.server], part, PSH | ACK,
                               said[not event.server]))
            said[event.server] += len(part)
            moved += 100
    return out


class Reached:
    """How far octets have come without a gap."""

    def __init__(self, parts=()):
        self.at, self.parts = 0, sorted(parts)

    def add(self, begin, end):
        self.parts.append((begin, end))
        self.parts.sort()
        while self.parts and self.parts[0][0] <= self.at:
            self.at = max(self.at, self.parts.pop(0)[1])
        return self.at


def with_acknowledgements(segments):
    """Each second segment with octets is acknowledged at once, as far as its receiver has all; a segment that fills a gap
    too."""
    out, reached = [], (Reached(), Reached())
    for i, segment in enumerate(segments):
        before = reached[segment.server].at
        out.append(segment._replace(acknowledged=reached[not segment.server].at))
        now = reached[segment.server].add(segment.at, segment.at + len(segment.octets))
        if segment.octets and (i % 2 or now - before > len(segment.octets)):
            out.append(Segment(segment.time_ns + 50, not segment.server, reached[not segment.server].at, b"", ACK, now))
    return out


def client_seen_early(segments, early_ns=20_000):
    """A mirror that merges two directions, one of which waits longer: acknowledgements stand before what they acknowledge."""
    moved = [s if s.server else s._replace(time_ns=s.time_ns - early_ns) for s in segments]
    return sorted(moved, key=lambda s: s.time_ns)


def media_segments(segments, after_ns):
    return [i for i, s in enumerate(segments) if s.server and s.time_ns > after_ns and len(s.octets) > 1]


def retransmitted(segments, seed, after_ns, share=0.05):
    """Sent again though it had arrived: 3 ms later, the same octets."""
    drawn = random.Random(seed)
    again = [segments[i]._replace(time_ns=segments[i].time_ns + 3_000_000) for i in media_segments(segments, after_ns)
             if drawn.random() < share]
    return sorted([*segments, *again], key=lambda s: s.time_ns)


def out_of_order(segments, seed, after_ns, share=0.05):
    """Held back behind the next one to three segments of its side."""
    drawn, out = random.Random(seed), list(segments)
    media = media_segments(segments, after_ns)
    for place in range(0, len(media) - 4, 4):
        if drawn.random() < share * 4:
            later = segments[media[place + drawn.randint(1, 3)]].time_ns + 500
            out[media[place]] = segments[media[place]]._replace(time_ns=later)
    return sorted(out, key=lambda s: s.time_ns)


def overlapping(segments, seed, after_ns, share=0.05):
    """A segment begins again in the middle of the one before, as after a partial acknowledgement."""
    drawn, out = random.Random(seed), list(segments)
    media = media_segments(segments, after_ns)
    for before, i in zip(media, media[1:]):
        if drawn.random() < share:
            back = segments[before].octets[len(segments[before].octets) // 2:]
            out[i] = segments[i]._replace(at=segments[i].at - len(back), octets=back + segments[i].octets)
    return out


def with_keep_alives(segments, after_ns):
    """One octet of garbage before what is next, each 200 ms (RFC 9293 §3.8.4), and its acknowledgement."""
    out, due = [], after_ns
    for segment in segments:
        out.append(segment)
        if segment.server and segment.time_ns > due:
            end = segment.at + len(segment.octets)
            out.append(Segment(segment.time_ns + 100, True, end - 1, b"\0", ACK, segment.acknowledged))
            out.append(Segment(segment.time_ns + 200, False, segment.acknowledged, b"", ACK, end))
            due = segment.time_ns + 200_000_000
    return out


def missing(segments, seed, after_ns, holes=5, longest=3):
    """What the capture did not catch though the receiver acknowledged it, holes well apart. Answers (segments, [(begin, end)
    of octets])."""
    drawn = random.Random(seed)
    media = media_segments(segments, after_ns)
    gone, ranges, apart = set(), [], len(media) * 8 // 10 // holes
    for hole in range(holes):
        place = len(media) // 10 + hole * apart + drawn.randrange(apart - 20)
        chosen = media[place:place + drawn.randint(1, longest)]
        gone.update(chosen)
        ranges.append((segments[chosen[0]].at, segments[chosen[-1]].at + len(segments[chosen[-1]].octets)))
    return [s for i, s in enumerate(segments) if i not in gone], ranges


def arrivals(segments, packets, holes=()):
    """When each (begin, end, octets) of the server's octets was there in order, as its receiver had it; what lies in a
    hole of the capture left out."""
    reached, out, whole = Reached(holes), [], []
    for segment in segments:
        if not segment.server or not segment.octets:
            continue
        whole.append((segment.time_ns, reached.add(segment.at, segment.at + len(segment.octets))))
    place = 0
    for begin, end, octets in packets:
        while place < len(whole) and whole[place][1] < end:
            place += 1
        if place < len(whole) and not any(a < end and begin < b for a, b in holes):
            out.append((whole[place][0], octets))
    return out


def on_the_wire(segments, client, server, first=(1000, 77000), shake=True):
    """(time_ns, IP packet) of each, after the three that open the connection. `first`: the initial sequence numbers of
    client and server."""
    ends, out = (client, server), []

    def add(time_ns, from_server, at, flags, acknowledged, octets=b""):
        out.append((time_ns, tcp(ends[from_server], ends[not from_server], at, acknowledged, flags, octets)))
    if shake:
        begin = segments[0].time_ns - 500_000
        add(begin, False, first[0], SYN, 0)
        add(begin + 100_000, True, first[1], SYN | ACK, first[0] + 1)
        add(begin + 200_000, False, first[0] + 1, ACK, first[1] + 1)
    for s in segments:
        add(s.time_ns, s.server, first[s.server] + 1 + s.at, s.flags, first[not s.server] + 1 + s.acknowledged, s.octets)
    return out
