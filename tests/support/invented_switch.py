"""A switch that does not exist: its standard tables with invented figures, for snmpd's pass_persist.

RFC 2863, 3635, 4836, 4188, 4363, 3621, 6933. Its numbers are chosen so that nothing fits by chance: ifIndex is 1000 and the
port, the bridge port 100 and the port, the filtering database 7 times the VLAN, the entity 200 and the port.
"""

IF, IFX, DOT3, DOT3_HC = (1, 3, 6, 1, 2, 1, 2, 2, 1), (1, 3, 6, 1, 2, 1, 31, 1, 1, 1), (1, 3, 6, 1, 2, 1, 10, 7, 2, 1), (1, 3, 6, 1, 2, 1, 10, 7, 11, 1)
MAU, NEGOTIATION, MAU_TYPE = (1, 3, 6, 1, 2, 1, 26, 2, 1, 1), (1, 3, 6, 1, 2, 1, 26, 5, 1, 1), ".1.3.6.1.2.1.26.4"
BRIDGE, POWER, ENTITY = (1, 3, 6, 1, 2, 1, 17), (1, 3, 6, 1, 2, 1, 105, 1), (1, 3, 6, 1, 2, 1, 47, 1)
# What snmpd has itself and must not answer in this one's place.
BUILT_IN = "-ifTable,-ifXTable,-interface,-ifNumber,-smux,-mteTrigger,-mteTriggerConf"
SUBTREES = [".1.3.6.1.2.1.2", ".1.3.6.1.2.1.31",
            ".1.3.6.1.2.1.10.7.2.1", ".1.3.6.1.2.1.10.7.11", ".1.3.6.1.2.1.26", ".1.3.6.1.2.1.17", ".1.3.6.1.2.1.105", ".1.3.6.1.2.1.47"]
CLASSES = {1: 0, 2: 1, 3: 2, 4: 3, 5: 4}
UPLINK_VLANS = (10, 20)


def vlan_of(n):
    return UPLINK_VLANS[n % 2]


def facts(n, ports):
    """What port n of this switch is to be read as."""
    linked = n != 5
    slow = n == 3  # both ends offer 1000 Mbit/s, and it runs at 100
    uplink = n == ports
    return {
        "name": f"p{n}", "if_index": 1000 + n, "alias": f"column {n}", "hardware_address": f"02:00:5e:00:00:{n:02x}",
        "admin_state": "down" if n == 6 else "up", "link_state": "up" if linked else "down", "last_change_s": n + 0.25,
        "link_speed_bps": (100 if slow else 10_000 if uplink else 1000) * 10**6 if linked else None,
        "duplex": ("half" if n == 4 else "full") if linked else None,
        "runs": ("100BASE-TX" if slow else "10GBASE-T" if uplink else "1000BASE-T") if linked else None,
        "negotiation": "off" if n == 4 else "on",
        "own_modes": ["100baseT/Half", "100baseT/Full", "1000baseT/Full"], "peer_modes": ["100baseT/Full", "1000baseT/Full"] if linked else [],
        "offered_speed_bps": 10**9 if linked else None, "vlan": vlan_of(n),
        "in_bytes": 2**33 + n, "out_bytes": 2**34 + n, "in_packets": 3 * 2**32 + 3 * n,
        "in_errors": n, "out_errors": 2 * n, "in_discards": 3 * n, "out_discards": 4 * n,
        "fcs_errors": 2**32 + n if uplink else 5 * n, "alignment_errors": 6 * n, "late_collisions": 7 * n, "symbol_errors": 8 * n,
        "power_enabled": n != 6, "power_class": CLASSES.get(n),
        "power_state": "delivering power" if n in CLASSES else "disabled" if n == 6 else "fault" if n == 7 else "searching",
        "power_priority": ("critical", "high", "low")[n % 3], "power_pairs": ("signal", "spare")[n % 2], "power_absences": n + 1,
        "power_invalid_signatures": n + 2, "power_denied": n + 3, "power_overloads": n + 4, "power_shorts": n + 5,
        "power_port": f"1.{n}",
    }


def learnt(ports):
    """(port, address, VLAN) of what is learnt: a unit on each port but 8, and all of them again behind the uplink of others."""
    units = [(n, f"02:00:5e:10:00:{n:02x}", vlan_of(n)) for n in range(1, ports) if n != 8]
    return units + [(ports, f"02:00:5e:20:00:{k:02x}", UPLINK_VLANS[k % 2]) for k in range(1, 30)]


MODE_BITS = {"100baseT/Half": 4, "100baseT/Full": 5, "1000baseT/Full": 15}
MAU_NUMBERS = {("100BASE-TX", "full"): 16, ("1000BASE-T", "full"): 30, ("1000BASE-T", "half"): 29, ("10GBASE-T", "full"): 54}


def bits(modes):
    word = sum(0x8000 >> MODE_BITS[m] for m in modes) | 0x0040  # a pause bit, which is no mode
    return f"{word >> 8:02x} {word & 255:02x}"


def octets(mac):
    return tuple(int(part, 16) for part in mac.split(":"))


def tables(ports=48):
    out = {(1, 3, 6, 1, 2, 1, 2, 1, 0): ("integer", ports)}

    def row(entry, index, **columns):
        for column, value in columns.items():
            if value[1] is not None:
                out[entry + (int(column[1:]),) + tuple(index)] = value

    for n in range(1, ports + 1):
        f = facts(n, ports)
        index, speed = [1000 + n], f["link_speed_bps"] or 0
        row(IF, index, c2=("string", f"port {n}"), c3=("integer", 6), c5=("gauge", min(speed, 2**32 - 1)),
            c6=("octet", f["hardware_address"].replace(":", " ")), c7=("integer", {"up": 1, "down": 2}[f["admin_state"]]),
            c8=("integer", {"up": 1, "down": 2}[f["link_state"]]), c9=("timeticks", int(f["last_change_s"] * 100)),
            c10=("counter", f["in_bytes"] % 2**32), c13=("counter", f["in_discards"]), c14=("counter", f["in_errors"]),
            c16=("counter", f["out_bytes"] % 2**32), c19=("counter", f["out_discards"]), c20=("counter", f["out_errors"]))
        row(IFX, index, c1=("string", f["name"]), c6=("counter64", f["in_bytes"]), c7=("counter64", 2**32 + n), c8=("counter64", 2**32 + n),
            c9=("counter64", 2**32 + n), c10=("counter64", f["out_bytes"]), c15=("gauge", speed // 10**6), c18=("string", f["alias"]),
            c19=("timeticks", 0))
        row(DOT3, index, c2=("counter", f["alignment_errors"]), c3=("counter", f["fcs_errors"] % 2**32), c8=("counter", f["late_collisions"]),
            c18=("counter", f["symbol_errors"]), c19=("integer", {"half": 2, "full": 3, None: 1}[f["duplex"]]))
        if n == ports:
            row(DOT3_HC, index, c1=("counter64", f["alignment_errors"]), c2=("counter64", f["fcs_errors"]), c6=("counter64", f["symbol_errors"]))
        if f["runs"]:
            row(MAU, index + [1], c3=("objectid", f"{MAU_TYPE}.{MAU_NUMBERS[f['runs'], f['duplex']]}"))
        row(NEGOTIATION, index + [1], c1=("integer", 1 if f["negotiation"] == "on" else 2), c10=("octet", bits(f["own_modes"])),
            c11=("octet", bits(f["peer_modes"])))
        out[BRIDGE + (1, 4, 1, 2, 100 + n)] = ("integer", 1000 + n)
        out[BRIDGE + (7, 1, 4, 5, 1, 1, 100 + n)] = ("gauge", f["vlan"])
        state = {"disabled": 1, "searching": 2, "delivering power": 3, "fault": 4}[f["power_state"]]
        row(POWER + (1, 1), [1, n], c3=("integer", 1 if f["power_enabled"] else 2), c5=("integer", {"signal": 1, "spare": 2}[f["power_pairs"]]),
            c6=("integer", state), c7=("integer", {"critical": 1, "high": 2, "low": 3}[f["power_priority"]]), c8=("counter", f["power_absences"]),
            c10=("integer", 1 if f["power_class"] is None else f["power_class"] + 1), c11=("counter", f["power_invalid_signatures"]),
            c12=("counter", f["power_denied"]), c13=("counter", f["power_overloads"]), c14=("counter", f["power_shorts"]))
        row(ENTITY + (1, 1, 1), [200 + n], c2=("string", "a port"), c4=("integer", 1), c5=("integer", 10), c6=("integer", n), c7=("string", f"{n}"))
        out[ENTITY + (3, 2, 1, 2, 200 + n, 0)] = ("objectid", f".1.3.6.1.2.1.2.2.1.1.{1000 + n}")
    for n, mac, vlan in learnt(ports):
        row(BRIDGE + (7, 1, 2, 2, 1), (7 * vlan,) + octets(mac), c2=("integer", 100 + n), c3=("integer", 3))
    # The switch's own address, one entered by hand, and one of a bridge port that is no interface: none is learnt.
    row(BRIDGE + (7, 1, 2, 2, 1), (70,) + octets("02:00:5e:00:00:01"), c2=("integer", 101), c3=("integer", 4))
    row(BRIDGE + (7, 1, 2, 2, 1), (70,) + octets("02:00:5e:30:00:01"), c2=("integer", 102), c3=("integer", 5))
    row(BRIDGE + (7, 1, 2, 2, 1), (70,) + octets("02:00:5e:30:00:02"), c2=("integer", 99), c3=("integer", 3))
    for vlan in UPLINK_VLANS:
        out[BRIDGE + (7, 1, 4, 2, 1, 3, 0, vlan)] = ("gauge", 7 * vlan)
    out[BRIDGE + (4, 2, 0)] = ("integer", 300)
    row(POWER + (3, 1, 1), [1], c2=("gauge", 370), c3=("integer", 1), c4=("gauge", 61), c5=("integer", 80))
    row(ENTITY + (1, 1, 1), [1], c2=("string", "a switch that does not exist"), c4=("integer", 0), c5=("integer", 3), c6=("integer", 1),
        c7=("string", "cabinet A"), c9=("string", "1.0"), c10=("string", "7.2.1"), c11=("string", "TD-SW-0001"), c13=("string", "invented 48"))
    return out
