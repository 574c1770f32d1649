#!/usr/bin/python3
"""For snmpd's pass_persist: BRIDGE-MIB and Q-BRIDGE-MIB from this namespace's real bridge, the rest from a file.

The learnt addresses are what the kernel's bridge has learnt. What a bridge of the kernel does not have (MAU types, power,
a chassis) is invented, in standard tables, from what the design says of the switch: the file holds `name`, `speeds_mbps` and
`power_classes` by port, `power_budget_w`. A fault is what it holds of a port in `ports`: `runs_mbps`, `offers_mbps`, `duplex`,
`negotiation` ("on", "off"), `power_state`, `power_class`, `counts_per_s` {`fcs_errors`, `late_collisions`, `power_denied`,
`power_overloads`, `power_shorts`}, which count since the time `since`. RFC 3635, 4188, 4363, 4836, 3621, 6933.
"""

import json
import pathlib
import subprocess
import sys
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "support"))
from pass_persist import serve  # noqa: E402

BRIDGE, POWER, ENTITY, MAU = (1, 3, 6, 1, 2, 1, 17), (1, 3, 6, 1, 2, 1, 105), (1, 3, 6, 1, 2, 1, 47, 1), (1, 3, 6, 1, 2, 1, 26)
DOT3 = (1, 3, 6, 1, 2, 1, 10, 7, 2, 1)
SUBTREES = [".1.3.6.1.2.1.10.7.2.1", ".1.3.6.1.2.1.17", ".1.3.6.1.2.1.26", ".1.3.6.1.2.1.47", ".1.3.6.1.2.1.105"]
KEEP_S = 1.0
VLAN = 1
MAU_TYPES = {10: 11, 100: 16, 1000: 30, 10000: 54}          # full duplex; IANA-MAU-MIB
OFFERS = {10: "60 00", 100: "6c 00", 1000: "6c 01"}         # IANAifMauAutoNegCapBits up to that speed
DRAW_OF_CLASS_W = {0: 6, 1: 2, 2: 4, 3: 7, 4: 14}


def number_of(port):
    """dot1dBasePort of an interface: the bridge's own port number."""
    return int(pathlib.Path(f"/sys/class/net/{port}/brport/port_no").read_text(), 16)


def ports():
    links = json.loads(subprocess.run(["ip", "-j", "link", "show", "master", "br0"], capture_output=True, text=True).stdout or "[]")
    return {link["ifname"]: (number_of(link["ifname"]), link["ifindex"]) for link in links}


def add_bridge(out, have):
    for number, index in have.values():
        out[BRIDGE + (1, 4, 1, 1, number)] = ("integer", number)
        out[BRIDGE + (1, 4, 1, 2, number)] = ("integer", index)
        out[BRIDGE + (7, 1, 4, 5, 1, 1, number)] = ("gauge", VLAN)
    out[BRIDGE + (1, 2, 0)] = ("integer", len(have))
    out[BRIDGE + (7, 1, 4, 2, 1, 3, 0, VLAN)] = ("gauge", VLAN)
    entries = json.loads(subprocess.run(["bridge", "-j", "fdb", "show", "br", "br0"], capture_output=True, text=True).stdout or "[]")
    for entry in entries:
        if entry.get("state") == "permanent" or entry["ifname"] not in have or "vlan" in entry:
            continue
        mac, number = tuple(int(part, 16) for part in entry["mac"].split(":")), have[entry["ifname"]][0]
        out[BRIDGE + (4, 3, 1, 1) + mac] = ("octet", entry["mac"].replace(":", " "))
        for columns in (BRIDGE + (4, 3, 1), BRIDGE + (7, 1, 2, 2, 1)):
            index = mac if columns[len(BRIDGE)] == 4 else (VLAN,) + mac
            out[columns + (2,) + index] = ("integer", number)
            out[columns + (3,) + index] = ("integer", 3)


def counted(port, told, what):
    """What a fault counts, since it was made."""
    return int(told.get("ports", {}).get(port, {}).get("counts_per_s", {}).get(what, 0) * max(0.0, time.time() - told.get("since", time.time())))


def add_links(out, have, told):
    for name, (_, index) in have.items():
        fault = told.get("ports", {}).get(name, {})
        mbps = fault.get("runs_mbps", told["speeds_mbps"].get(name, 1000))
        half = fault.get("duplex") == "half"
        if mbps in MAU_TYPES:
            out[MAU + (2, 1, 1, 3, index, 1)] = ("objectid", f".1.3.6.1.2.1.26.4.{MAU_TYPES[mbps] - half}")
        out[MAU + (5, 1, 1, 1, index, 1)] = ("integer", 2 if fault.get("negotiation") == "off" else 1)
        for column in (10, 11):
            out[MAU + (5, 1, 1, column, index, 1)] = ("octet", OFFERS.get(fault.get("offers_mbps", mbps), OFFERS[1000]))
        for column, what in {2: "alignment_errors", 3: "fcs_errors", 8: "late_collisions", 18: "symbol_errors"}.items():
            out[DOT3 + (column, index)] = ("counter", counted(name, told, what))
        out[DOT3 + (19, index)] = ("integer", 2 if half else 3)


def add_chassis(out, have, name):
    texts = {2: "a demo switch", 7: name, 9: "1.0", 10: "1.0", 11: f"TD-{name}", 13: "demo switch"}
    for column, text in texts.items():
        out[ENTITY + (1, 1, 1, column, 1)] = ("string", text)
    out.update({ENTITY + (1, 1, 1, column, 1): ("integer", value) for column, value in {4: 0, 5: 3, 6: 1}.items()})
    for port, (number, index) in have.items():
        if not port[1:].isdigit():
            continue
        entity, position = 100 + number, int(port[1:])
        out[ENTITY + (1, 1, 1, 7, entity)] = ("string", port)
        out.update({ENTITY + (1, 1, 1, column, entity): ("integer", value) for column, value in {4: 1, 5: 10, 6: position}.items()})
        out[ENTITY + (3, 2, 1, 2, entity, 0)] = ("objectid", f".1.3.6.1.2.1.2.2.1.1.{index}")


POWER_STATES = {"disabled": 1, "searching": 2, "delivering power": 3, "fault": 4, "other fault": 6}


def add_power(out, have, told):
    """Ports p1, p2, … are the supply's ports 1, 2, …: not the bridge's numbers, as on any switch."""
    drawn_w = 0
    for port in have:
        if not (port.startswith("p") and port[1:].isdigit()):
            continue
        fault = told.get("ports", {}).get(port, {})
        at, power_class = (1, int(port[1:])), fault.get("power_class", told["power_classes"].get(port))
        state = POWER_STATES[fault.get("power_state", "searching" if power_class is None else "delivering power")]
        for column, value in {3: 1, 5: 1, 6: state, 7: 3}.items():
            out[POWER + (1, 1, 1, column) + at] = ("integer", value)
        for column, what in {8: "", 11: "", 12: "power_denied", 13: "power_overloads", 14: "power_shorts"}.items():
            out[POWER + (1, 1, 1, column) + at] = ("counter", counted(port, told, what))
        # RFC 3621 knows classes 0 to 4 and counts them from 1; what came later shows as 4.
        if state == POWER_STATES["delivering power"]:
            out[POWER + (1, 1, 1, 10) + at] = ("integer", min(power_class, 4) + 1)
            drawn_w += DRAW_OF_CLASS_W[min(power_class, 4)]
    budget_w = told["power_budget_w"]
    if budget_w is not None:
        for column, value in {2: ("gauge", int(budget_w)), 3: ("integer", 1), 4: ("gauge", drawn_w), 5: ("integer", 80)}.items():
            out[POWER + (1, 3, 1, 1, column, 1)] = value


def table(file):
    told, have, out = json.loads(pathlib.Path(file).read_text()), ports(), {}
    add_bridge(out, have)
    add_links(out, have, told)
    add_chassis(out, have, told["name"])
    add_power(out, have, told)
    return out


if __name__ == "__main__":
    serve(lambda: table(sys.argv[1]), KEEP_S)
