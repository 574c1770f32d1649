#!/usr/bin/python3
"""plain_reflector.py ADDRESS PORT MODE [KEY]: a Session-Reflector written from RFC 8762 §4.3 and nothing of ours. MODE is stateful
or stateless, with KEY authenticated (§4.3.2, §4.4). Request 10n + 4 is not received, and of a stateful one's answers each
25n + 7 is made and not sent. Prints "ready"; on SIGTERM, what it did, as JSON."""

import hashlib
import hmac
import json
import signal
import socket
import struct
import sys
import time

PLAIN, SIGNED = struct.Struct("!IQHHQIQHHB3x"), struct.Struct("!I12xQHH4xQ8xI12xQH6xB15x")


def ntp_now():
    ns = time.time_ns()
    return (ns // 10**9 + 2208988800) % 2**32 << 32 | (ns % 10**9 << 32) // 10**9


def main():
    address, port, stateful = sys.argv[1], int(sys.argv[2]), sys.argv[3] == "stateful"
    key = sys.argv[4].encode() if len(sys.argv) > 4 else None
    s = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET, socket.SOCK_DGRAM)
    s.bind((address, port))
    did = {"came": 0, "not_received": 0, "not_sent": 0, "sent": 0, "wrong_hmac": 0}
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    print("ready", flush=True)
    counted = 0
    try:
        while True:
            request, asker = s.recvfrom(2048)
            received = ntp_now()
            did["came"] += 1
            if key and not hmac.compare_digest(hmac.new(key, request[:96], hashlib.sha256).digest()[:16], request[96:112]):
                did["wrong_hmac"] += 1
            number = struct.unpack_from("!I", request)[0]
            if number % 10 == 4:
                did["not_received"] += 1
                continue
            at, error = struct.unpack_from("!QH", request, 16 if key else 4)
            fields = (counted if stateful else number, ntp_now(), 0x0a01, 0, received, number, at, error)
            answer = SIGNED.pack(*fields, 64) if key else PLAIN.pack(*fields, 0, 64)
            if key:
                answer += hmac.new(key, answer, hashlib.sha256).digest()[:16]
            counted += 1
            if stateful and counted % 25 == 8:
                did["not_sent"] += 1
                continue
            s.sendto(answer + request[len(answer):], asker)
            did["sent"] += 1
    finally:
        print(json.dumps(did), flush=True)


if __name__ == "__main__":
    main()
