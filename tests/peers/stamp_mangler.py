#!/usr/bin/python3
"""stamp_mangler.py DEVICE_A DEVICE_B: carries frames between two devices of its namespace, and spoils UDP both ways by a fixed
pattern: packets are dropped, doubled at once, doubled late, held back behind the next one or behind the next three. Prints
"ready"; on SIGTERM, what it did each way, as JSON."""

import json
import select
import signal
import sys

from mangler import OUTGOING, Flow, raw

DROP_EACH = 23


class Lossy(Flow):
    def take(self, frame):
        # Runs of one to three, so that loss has periods.
        if (self.count + self.did["dropped"]) % DROP_EACH in (5, 6, 7)[:1 + self.did["dropped"] % 3]:
            self.did["dropped"] += 1
            return []
        return super().take(frame)


def is_udp(frame):
    """Ethernet II; IPv4 (RFC 791) or IPv6 (RFC 8200) without extension headers."""
    return frame[12:14] == b"\x08\x00" and frame[23] == 17 or frame[12:14] == b"\x86\xdd" and frame[20] == 17


def main():
    a, b = raw(sys.argv[1]), raw(sys.argv[2])
    flows = {a: Lossy(), b: Lossy()}
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
                for out in flows[s].take(frame) if is_udp(frame) else [frame]:
                    (b if s is a else a).send(out)
    finally:
        print(json.dumps({name: {"packets": flows[s].count, **flows[s].did} for name, s in (("a", a), ("b", b))}), flush=True)


if __name__ == "__main__":
    main()
