"""What snmpd's pass_persist asks a program for (snmpd.conf(5)): GET and GETNEXT of numeric OIDs, one answer each.

  pass_persist.py FILE     serves a table kept as JSON, {"1.3.6.1…": [type, value]}
"""

import bisect
import json
import pathlib
import sys
import time


def numbers(oid):
    return tuple(int(part) for part in oid.strip().strip(".").split("."))


def serve(make_table, keep_s=None):
    """`make_table` answers {OID as a tuple: (type, value)}; it is asked again when its answer is older than `keep_s`."""
    values, keys, made = {}, [], None
    while True:
        command = sys.stdin.readline().strip()
        if not command:
            return
        if command == "PING":
            print("PONG", flush=True)
            continue
        oid = numbers(sys.stdin.readline())
        if made is None or (keep_s is not None and time.monotonic() - made > keep_s):
            values, made = make_table(), time.monotonic()
            keys = sorted(values)
        if command == "getnext":
            at = bisect.bisect_right(keys, oid)
            oid = keys[at] if at < len(keys) else None
        if oid not in values:
            print("NONE", flush=True)
            continue
        kind, value = values[oid]
        print("." + ".".join(map(str, oid)), kind, value, sep="\n", flush=True)


if __name__ == "__main__":
    serve(lambda: {numbers(oid): tuple(value) for oid, value in json.loads(pathlib.Path(sys.argv[1]).read_text()).items()})
