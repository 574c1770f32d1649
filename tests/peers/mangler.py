#!/usr/bin/python3
"""mangler.py DEVICE_A DEVICE_B SERVER: carries frames between two devices of its namespace, and spoils what SERVER sends by
UDP in packets of more than 300 octets (RTP of video; RTCP is shorter), by a fixed pattern for each destination port:
packets are doubled at once, doubled late, held back behind the next one or behind the next three. Nothing is dropped.
Prints "ready"; on SIGTERM, what it did to each port, as JSON."""

import collections
import json
import select
import signal
import socket
import sys

DOUBLE_EACH, DOUBLE_LATE_EACH, BEHIND_ONE_EACH, BEHIND_THREE_EACH = 53, 211, 59, 127
OUTGOING = 4  # PACKET_OUTGOING, packet(7)


def raw(device):
    s = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(3))  # ETH_P_ALL
    s.setsockopt(socket.SOL_SOCKET, 33, 8 << 20)  # SO_RCVBUFFORCE
    s.bind((device, 0))
    s.setblocking(False)
    return s


def media_port(frame, server):
    """The destination port of a packet to be spoilt, or None. Ethernet II, IPv4 (RFC 791), UDP (RFC 768)."""
    if frame[12:14] != b"\x08\x00" or frame[23] != 17 or frame[26:30] != server:
        return None
    if int.from_bytes(frame[16:18], "big") <= 300:
        return None
    begin = 14 + 4 * (frame[14] & 15)
    return int.from_bytes(frame[begin + 2:begin + 4], "big")


class Flow:
    """One destination port: numbers its packets, keeps what is held back."""

    def __init__(self):
        self.count = 0
        self.held = []  # [packets still to pass first, frame]
        self.did = collections.Counter()

    def take(self, frame):
        self.count += 1
        out = []
        if self.count % BEHIND_ONE_EACH == 20:
            self.did["behind_one"] += 1
            self.held.append([1, frame])
        elif self.count % BEHIND_THREE_EACH == 70:
            self.did["behind_three"] += 1
            self.held.append([3, frame])
        else:
            out.append(frame)
            if self.count % DOUBLE_EACH == 10:
                self.did["doubled"] += 1
                out.append(frame)
            if self.count % DOUBLE_LATE_EACH == 100:
                self.did["doubled_late"] += 1
                self.held.append([3, frame])
            for entry in self.held:
                entry[0] -= 1
            # The double made just now waits like any other: it lost one step to its own original.
            out += [entry[1] for entry in self.held if entry[0] <= 0]
            self.held = [entry for entry in self.held if entry[0] > 0]
        return out


def main():
    a, b = raw(sys.argv[1]), raw(sys.argv[2])
    server = socket.inet_aton(sys.argv[3])
    flows = collections.defaultdict(Flow)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    print("ready", flush=True)
    try:
        while True:
            for s in select.select([a, b], [], [])[0]:
                try:
                    frame, address = s.recvfrom(65535)
                except BlockingIOError:
                    continue
                if address[2] == OUTGOING:
                    continue
                port = media_port(frame, server)
                for out in flows[port].take(frame) if port else [frame]:
                    (b if s is a else a).send(out)
    finally:
        print(json.dumps({port: {"packets": flow.count, **flow.did} for port, flow in flows.items()}), flush=True)


if __name__ == "__main__":
    main()
