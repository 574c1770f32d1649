#!/usr/bin/python3
"""An SNMP v2c agent whose tables are wrong: what it proves is bounds, not interoperation.

  odd_agent.py ADDRESS circle    every table goes back to its first row after its third
  odd_agent.py ADDRESS endless   every table has one more row, for ever
  odd_agent.py ADDRESS error     answers each GETBULK of several columns with genErr, of one with an end
"""

import socket
import sys

INTEGER, OCTETS, OID, SEQUENCE, TICKS, END_OF_VIEW = 0x02, 0x04, 0x06, 0x30, 0x43, 0x82
GET, GETNEXT, RESPONSE, GETBULK = 0xA0, 0xA1, 0xA2, 0xA5


def take(data):
    """One TLV: its tag, its value, and what follows."""
    length, at = data[1], 2
    if length & 0x80:
        at = 2 + (length & 0x7F)
        length = int.from_bytes(data[2:at], "big")
    return data[0], data[at:at + length], data[at + length:]


def items(data):
    while data:
        tag, value, data = take(data)
        yield tag, value


def put(tag, value):
    size = len(value)
    head = bytes([size]) if size < 128 else bytes([0x82]) + size.to_bytes(2, "big")
    return bytes([tag]) + head + value


def integer(value):
    return put(INTEGER, value.to_bytes(max(1, (value.bit_length() + 8) // 8), "big"))


def oid_of(octets):
    out, value = [octets[0] // 40, octets[0] % 40], 0
    for octet in octets[1:]:
        value = value << 7 | octet & 0x7F
        if not octet & 0x80:
            out.append(value)
            value = 0
    return tuple(out)


def octets_of(oid):
    out = bytes([oid[0] * 40 + oid[1]])
    for number in oid[2:]:
        part = [number & 0x7F]
        while number > 0x7F:
            number >>= 7
            part.insert(0, number & 0x7F | 0x80)
        out += bytes(part)
    return out


def following(oid, base, mode):
    """The next row: the last number counts rows; a table is entered below what was asked for first."""
    if len(oid) == len(base):
        return oid + (1,)
    if mode == "circle" and oid[-1] >= 3:
        return base + (1,)
    return oid[:-1] + (oid[-1] + 1,)


def answer(kind, number, first, second, oids, mode, bases):
    status, where, bindings = 0, 0, []
    if kind == GET:
        bindings = [(oid, put(TICKS, b"\x64")) for oid in oids]
    elif kind == GETNEXT:
        bindings = [(oid + (1,), integer(1)) for oid in oids]
    elif mode == "error" and len(oids) > 1:
        status, where, bindings = 5, 1, [(oid, put(0x05, b"")) for oid in oids]
    elif mode == "error":
        bindings = [(oids[0], put(END_OF_VIEW, b""))]
    else:
        now = list(oids)
        for _ in range(min(second, 600 // len(oids))):
            for i, oid in enumerate(now):
                base = bases.setdefault(oid, oid) if oid not in bases else bases[oid]
                now[i] = following(oid, base, mode)
                bases[now[i]] = base
                bindings.append((now[i], integer(now[i][-1])))
    listed = b"".join(put(SEQUENCE, put(OID, octets_of(oid)) + value) for oid, value in bindings)
    return put(RESPONSE, integer(number) + integer(status) + integer(where) + put(SEQUENCE, listed))


def main():
    where = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    where.bind((sys.argv[1], 161))
    bases = {}
    while True:
        data, peer = where.recvfrom(65535)
        (_, version), (_, community), (kind, pdu) = items(take(data)[1])
        (_, number), (_, first), (_, second), (_, bound) = items(pdu)
        oids = [oid_of(next(items(binding))[1]) for _, binding in items(bound)]
        reply = answer(kind, int.from_bytes(number, "big"), int.from_bytes(first, "big"), int.from_bytes(second, "big"), oids, sys.argv[2], bases)
        where.sendto(put(SEQUENCE, put(INTEGER, version) + put(OCTETS, community) + reply), peer)


if __name__ == "__main__":
    main()
