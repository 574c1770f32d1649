#!/usr/bin/python3
"""For snmpd's pass_persist: BRIDGE-MIB from this namespace's real bridge, POWER-ETHERNET-MIB from a file.

The learnt addresses are what the kernel's bridge has learnt; the power classes are the design's (invented figures
in a standard table: a bridge of the kernel feeds nobody). RFC 4188, RFC 3621.
"""

import json
import pathlib
import subprocess
import sys
import time

BRIDGE, POWER = (1, 3, 6, 1, 2, 1, 17), (1, 3, 6, 1, 2, 1, 105)
KEEP_S = 1.0


def number_of(port):
    """dot1dBasePort of an interface: the bridge's own port number."""
    return int(pathlib.Path(f"/sys/class/net/{port}/brport/port_no").read_text(), 16)


def ports():
    links = json.loads(subprocess.run(["ip", "-j", "link", "show", "master", "br0"], capture_output=True, text=True).stdout or "[]")
    return {link["ifname"]: (number_of(link["ifname"]), link["ifindex"]) for link in links}


def table(power_file):
    out = {}
    have = ports()
    for number, index in have.values():
        out[BRIDGE + (1, 4, 1, 1, number)] = ("integer", number)
        out[BRIDGE + (1, 4, 1, 2, number)] = ("integer", index)
    out[BRIDGE + (1, 2, 0)] = ("integer", len(have))
    entries = json.loads(subprocess.run(["bridge", "-j", "fdb", "show", "br", "br0"], capture_output=True, text=True).stdout or "[]")
    for entry in entries:
        if entry.get("state") == "permanent" or entry["ifname"] not in have or "vlan" in entry:
            continue
        mac = tuple(int(part, 16) for part in entry["mac"].split(":"))
        out[BRIDGE + (4, 3, 1, 1) + mac] = ("octet", entry["mac"].replace(":", " "))
        out[BRIDGE + (4, 3, 1, 2) + mac] = ("integer", have[entry["ifname"]][0])
        out[BRIDGE + (4, 3, 1, 3) + mac] = ("integer", 3)
    powered = json.loads(pathlib.Path(power_file).read_text())
    for name, (number, _) in have.items():
        if not name.startswith("p"):
            continue
        power_class = powered.get(name)
        out[POWER + (1, 1, 1, 6, 1, number)] = ("integer", 2 if power_class is None else 3)
        # RFC 3621 knows classes 0 to 4 and counts them from 1.
        if power_class is not None and power_class <= 4:
            out[POWER + (1, 1, 1, 10, 1, number)] = ("integer", power_class + 1)
    return out


def main():
    made, values = 0.0, {}
    while True:
        command = sys.stdin.readline().strip()
        if not command:
            return
        if command == "PING":
            print("PONG", flush=True)
            continue
        oid = tuple(int(part) for part in sys.stdin.readline().strip().strip(".").split("."))
        if time.monotonic() - made > KEEP_S:
            values, made = table(sys.argv[1]), time.monotonic()
        if command == "getnext":
            later = [key for key in values if key > oid]
            oid = min(later) if later else None
        if oid not in values:
            print("NONE", flush=True)
            continue
        kind, value = values[oid]
        print("." + ".".join(map(str, oid)), kind, value, sep="\n", flush=True)


if __name__ == "__main__":
    main()
