"""Captures of RTSP sessions: RTP and RTCP interleaved in TCP, and RTP by UDP on ports that the session agrees on. Each
answers the arguments of tap_captures.Capture."""

from capture_bytes import EPOCH_NS, Host, ethernet, pcap, udp
from rtp_truth import g711, h264, mangle, sender_report, truth
from rtsp_flow import (AUDIO, VIDEO, Dialogue, Event, arrivals, client_seen_early, cut, framed, missing, on_the_wire,
                       out_of_order, overlapping, retransmitted, with_acknowledgements, with_keep_alives)

SERVER, CLIENT = Host("198.51.100.30", 554), Host("192.0.2.20", 43210)
PLAYING_NS = EPOCH_NS + 100_000_000
URL = "rtsp://198.51.100.30/door"
NO_SETUP = "it takes interleaved RTP apart only where it saw SETUP"
CAPTURES = {}


def capture(make):
    CAPTURES[make.__name__] = make
    return make


def session(seconds=4, bps=1_000_000, media=(VIDEO, AUDIO), announced=True):
    """(events, [(ssrc, packets)]): what both ends say, interleaved, a keep-alive and RTCP among it."""
    say = Dialogue(URL, EPOCH_NS, SERVER.address, media)
    tracks = [h264(0x51de0001, seconds, start_ns=PLAYING_NS, bps=bps), g711(0x51de0002, seconds, start_ns=PLAYING_NS)]
    tracks = tracks[:len(media)]
    if announced:
        say.describe()
        for i in range(len(media)):
            channels = f"RTP/AVP/TCP;unicast;interleaved={2 * i}-{2 * i + 1}"
            say.setup(i + 1, channels, channels)
        say.play([track[0][1] for track in tracks])
        say.keep_alive(PLAYING_NS + 1_234_567_890)
        say.teardown(PLAYING_NS + seconds * 10**9 + 50_000_000)
    events = list(say.events)
    for i, track in enumerate(tracks):
        events += [Event(time_ns, True, framed(2 * i, octets)) for time_ns, octets in track]
    for i in range(seconds):
        time_ns = PLAYING_NS + i * 10**9 + 300_000_001
        before = [octets for when, octets in tracks[0] if when < time_ns]
        report = sender_report(0x51de0001, 5000 + 27000 + 90000 * i, len(before), sum(map(len, before)) - 12 * len(before),
                               time_ns)
        events.append(Event(time_ns, True, framed(1, report)))
    return sorted(events, key=lambda event: event.time_ns), tracks


def places(events):
    """(begin, end, RTP packet) in what the server says."""
    at, out = 0, []
    for event in events:
        if not event.server:
            continue
        if event.octets[:1] == b"$" and event.octets[1] % 2 == 0:
            out.append((at, at + len(event.octets), event.octets[4:]))
        at += len(event.octets)
    return out


def interleaved(path=lambda segments: segments, mirror=lambda segments: (segments, ()), longest=1448, seed=0, wrap=ethernet,
                first=(1000, 77000), shake=True, **more):
    """`path` does to segments what happens before the receiver; `mirror` what happens to the capture alone: it answers
    segments and holes."""
    events, tracks = session(**more)
    sent = cut(events, longest, seed)
    came_by = path(sent)
    segments, holes = mirror(with_acknowledgements(came_by))
    came = arrivals(segments, places(events), holes)
    streams = []
    for i, track in enumerate(tracks):
        ssrc = track[0][1][8:12]
        mine = [(time_ns, octets) for time_ns, octets in came if octets[8:12] == ssrc]
        expected = truth(mine, SERVER, CLIENT, "tcp", (90000, 8000)[i])
        if holes:
            # What the capture lacks is no loss of the network's; when it was there nobody knows.
            expected.update(lost_packets=0, jitter_ms=None, not_captured_packets=len(track) - len(mine))
        streams.append(expected)
    wire = [(time_ns, wrap(packet)) for time_ns, packet in on_the_wire(segments, CLIENT, SERVER, first, shake)]
    unread = NO_SETUP if not more.get("announced", True) else "it does not find the next frame after a hole" if holes else ""
    told = {"tcp_holes": len(holes), "tcp_missing_bytes": sum(end - begin for begin, end in holes)}
    return {"octets": pcap(wire), "streams": streams, "rtp_ports": (), "rtsp": True, "tshark_cannot": unread, "capture": told}


def after_play(change, **more):
    return lambda segments: change(segments, after_ns=PLAYING_NS, **more)


VARIANTS = {
    "clean": {},
    "cut_anywhere": {"longest": 900, "seed": 4},
    "cut_small": {"longest": 61, "seed": 5},
    "offloaded": {"longest": 60000, "bps": 4_000_000},
    "offloaded_no_length": {"longest": 120_000, "bps": 8_000_000},
    "retransmitted": {"path": after_play(retransmitted, seed=6), "longest": 1200, "seed": 6},
    "out_of_order": {"path": after_play(out_of_order, seed=7), "longest": 1200, "seed": 7},
    "overlapping": {"path": after_play(overlapping, seed=8), "longest": 1200, "seed": 8},
    "numbers_wrap": {"first": (0xfffffff0, 0xffff8000), "seed": 9},
    "keep_alives": {"path": after_play(with_keep_alives), "seed": 10},
    "holes": {"mirror": after_play(missing, seed=11), "longest": 1448},
    "holes_cut_anywhere": {"mirror": after_play(missing, seed=12, holes=8), "longest": 1000, "seed": 12},
    "client_seen_early": {"mirror": lambda segments: (client_seen_early(segments), ()), "longest": 1200, "seed": 15},
    "unannounced": {"announced": False, "shake": False},
}
for variant, how in VARIANTS.items():
    CAPTURES[f"interleaved_{variant}"] = lambda how=how: interleaved(**how)


@capture
def interleaved_everything():
    """Segments cut anywhere, out of order, sent again, over 2^32, with keep-alives."""
    def path(segments):
        segments = out_of_order(segments, 13, PLAYING_NS)
        return retransmitted(with_keep_alives(segments, PLAYING_NS), 14, PLAYING_NS)
    return interleaved(path, longest=1300, seed=13, first=(5, 0xfffffe00))


@capture
def interleaved_joined_late():
    """The capture begins in the middle of a session: nothing announced it, and its first segment starts within a frame."""
    events, tracks = session()
    whole = with_acknowledgements(cut(events, 1448))
    begin = next(i for i, s in enumerate(whole) if s.time_ns > PLAYING_NS + 1_500_000_000 and len(s.octets) > 100)
    segments, known = whole[begin:], whole[begin].at
    came = arrivals([s._replace(at=s.at - known) for s in segments if s.at >= known],
                    [(a - known, b - known, p) for a, b, p in places(events) if a >= known])
    streams = [truth([a for a in came if a[1][8:12] == track[0][1][8:12]], SERVER, CLIENT, "tcp", hz)
               for track, hz in zip(tracks, (90000, 8000))]
    wire = [(time_ns, ethernet(packet)) for time_ns, packet in on_the_wire(segments, CLIENT, SERVER, shake=False)]
    return {"octets": pcap(wire), "streams": streams, "rtp_ports": (), "rtsp": True, "tshark_cannot": NO_SETUP}


@capture
def announced_udp():
    """RTSP agrees on ports that another protocol is known by (4789: VXLAN; 5060: SIP), and on payload type 96."""
    say = Dialogue(URL, EPOCH_NS, SERVER.address)
    say.media = (VIDEO, AUDIO)
    say.describe()
    ports = ((4789, 6970), (5060, 6972))
    tracks = [mangle(h264(0x51de0003, 4, start_ns=PLAYING_NS), 15, 0.02, 0.01, 0.02),
              mangle(g711(0x51de0004, 4, start_ns=PLAYING_NS), 16, 0.02, 0.01, 0.02)]
    for i, (client, server) in enumerate(ports):
        asked = f"RTP/AVP;unicast;client_port={client}-{client + 1}"
        say.setup(i + 1, asked, f"{asked};server_port={server}-{server + 1};ssrc=51de000{3 + i}")
    say.play([track[0][1] for track in tracks])
    say.teardown(PLAYING_NS + 4_100_000_000)
    flow = on_the_wire(with_acknowledgements(cut(say.events, 1448)), CLIENT, SERVER)
    wire, streams = [(time_ns, ethernet(packet)) for time_ns, packet in flow], []
    for track, (client, server), hz, codec in zip(tracks, ports, (90000, 8000), ("H264", "PCMU")):
        here, there = SERVER.with_port(server), CLIENT.with_port(client)
        wire += [(time_ns, ethernet(udp(here, there, octets))) for time_ns, octets in track]
        streams.append(truth(track, here, there, "udp", hz, codec=codec, url=URL))
    return {"octets": pcap(sorted(wire, key=lambda frame: frame[0])), "streams": streams, "rtp_ports": (4789, 5060), "rtsp": True}
