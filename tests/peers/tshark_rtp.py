"""What tshark finds in a capture: each RTP packet's fields, and its own table of RTP streams."""

import collections
import re

from namespaces import run
from rtp_truth import Arrival, jitter_ms, order_of

ROW = re.compile(r"^ *[-\d.]+ +[-\d.]+ +(\S+) +(\d+) +(\S+) +(\d+) +0x([0-9A-F]{8}) +(.+?) +(\d+) +(-?\d+) \(", re.M)
FIELDS = ("frame.time_epoch", "rtp.ssrc", "rtp.p_type", "rtp.seq", "rtp.timestamp")
Found = collections.namedtuple("Found", "packets lost kinds arrivals")  # the first two from its table


def tshark(file, rtp_ports=(), rtsp_port=None, *options):
    words = ["tshark", "-n", "-r", file, "-o", "tcp.reassemble_out_of_order:TRUE"]
    for port in rtp_ports:
        words += ["-d", f"udp.port=={port},rtp"]
    if rtsp_port:
        words += ["-d", f"tcp.port=={rtsp_port},rtsp"]
    # A file that is cut off makes it end with 2 after it told all that it read.
    done = run(*words, *options, check=False)
    if done.returncode not in (0, 2):
        raise RuntimeError(done.stderr)
    return done.stdout


def streams(file, rtp_ports=(), rtsp_port=None):
    """{(source, destination, ssrc): Found}, addresses as ip:port; the arrivals come from the SSRC alone."""
    table = tshark(file, rtp_ports, rtsp_port, "-q", "-z", "rtp,streams")
    by_ssrc = packets(file, rtp_ports, rtsp_port)
    out = {}
    for source, source_port, destination, port, ssrc, _, count, lost in ROW.findall(table):
        number = int(ssrc, 16)
        key = (endpoint(source, source_port), endpoint(destination, port), number)
        kinds, arrivals = by_ssrc.get(number, (set(), []))
        out[key] = Found(int(count), int(lost), kinds, arrivals)
    return out


def endpoint(address, port):
    return f"[{address}]:{port}" if ":" in address else f"{address}:{port}"


def packet_frames(file, rtsp_port):
    """The number of the frame in which each RTP packet was whole."""
    text = tshark(file, (), rtsp_port, "-Y", "rtp", "-T", "fields", "-e", "frame.number", "-e", "rtp.seq")
    rows = (line.split("\t") for line in text.splitlines())
    return [int(frame) for frame, sequences in rows for _ in sequences.split(",")]


def packets(file, rtp_ports=(), rtsp_port=None):
    """{ssrc: (payload types, arrivals)}. A frame of a TCP connection may hold several."""
    words = [word for field in FIELDS for word in ("-e", field)]
    text = tshark(file, rtp_ports, rtsp_port, "-Y", "rtp", "-T", "fields", *words)
    out = {}
    for line in text.splitlines():
        time, *lists = line.split("\t")
        for ssrc, kind, sequence, rtp_time in zip(*(each.split(",") for each in lists)):
            kinds, arrivals = out.setdefault(int(ssrc, 16), (set(), []))
            kinds.add(int(kind))
            arrivals.append(Arrival(float(time), int(sequence), int(rtp_time)))
    return out


def metered(found, clock_hz):
    """What a meter must say of what tshark found, under the names of design.md. Packets are those that it showed: where a
    TCP segment holds packets of two streams, its table counts one's with the other's (4.0.17)."""
    lost, duplicates, reordered = order_of(found.arrivals)
    return {"packets": len(found.arrivals), "lost_packets": lost, "duplicate_packets": duplicates, "reordered_packets": reordered,
            "jitter_ms": jitter_ms(found.arrivals, clock_hz), "payload_type": min(found.kinds)}
