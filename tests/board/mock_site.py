"""An invented site and what a service would answer about it: any number of units, each with two heads of two streams.
Nothing here is measured; it shows the page what docs/api.md promises, and gives the page's speed something to be measured on."""

import datetime
import math

UNITS_A_SWITCH = 25
START = datetime.datetime(2026, 11, 1, 2, 30, tzinfo=datetime.timezone.utc)
STREAM_TARGETS = (("codec", "H264", None), ("width_px", 1920.0, None), ("height_px", 1080.0, None), ("frame_rate_hz", 25.0, (23.75, 26.25)),
                  ("payload_bps", 4e6, (2e6, 4.4e6)), ("gop_frames", 50.0, None), ("loss_ratio", 0.0, (None, 0.001)), ("jitter_ms", 1.2, (None, 30.0)))
PLACES = ("Hall, column {}", "Yard, mast {}", "Workshop, bay {}", "Gate {}", "Wash bay {}")


def at(days=0.0, seconds=0.0):
    return (START + datetime.timedelta(days=days, seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%S.000Z")


def unit_id(n):
    return f"{('hall', 'yard', 'workshop', 'gate', 'wash')[n % 5]}-{n + 1:03d}"


def switch_of(n):
    return f"sw-{n // UNITS_A_SWITCH + 1:02d}"


def presence_of(n):
    """One of each kind in the first units, then nearly all proven."""
    return ("proven", "wanting", "lost", "awaited", "arrived")[n] if n < 5 else "wanting" if n % 50 == 7 else "proven"


def camera(n):
    streams = [{"id": "main", "use": "record", "codec": "H264", "width_px": 1920, "height_px": 1080, "frame_rate_hz": 25.0,
                "bit_rate_kbps": 4000.0, "rate_mode": "capped", "gop_frames": 50, "transport": "tcp"},
               {"id": "view", "use": "view", "codec": "H264", "width_px": 640, "height_px": 360, "frame_rate_hz": 10.0,
                "bit_rate_kbps": 500.0, "rate_mode": "capped", "gop_frames": 20, "transport": "udp"}]
    return {"id": unit_id(n), "place": PLACES[n % 5].format(n + 1), "switch": switch_of(n), "port": f"p{n % UNITS_A_SWITCH + 1}",
            "hardware_address": f"02:00:5e:20:{n // 256:02x}:{n % 256:02x}", "serial": f"TD-{n:04d}", "address": f"198.51.{100 + n // 250}.{n % 250 + 1}",
            "link_speed_mbps": 1000.0, "power_source": "switch_port", "power_class": 4, "worst_power_w": 22.0, "cards": [],
            "bench_limit_s": 1800.0, "bench_ambient_min_c": 0.0, "bench_ambient_max_c": 40.0,
            "heads": [{"id": str(h), "view": f"view {h}", "streams": streams} for h in (1, 2)]}


def design(units):
    switches = [{"id": "sw-core", "place": "Cabinet A", "address": "198.51.100.2", "ports": ["rec", "up"] + [f"d{n}" for n in range(1, 25)],
                 "uplinks": [{"id": "up", "port": "up", "to": "core", "speed_mbps": 10000.0}], "power_budget_w": 0.0}]
    for s in range(math.ceil(units / UNITS_A_SWITCH)):
        switches.append({"id": f"sw-{s + 1:02d}", "place": f"Cabinet {s + 2}", "address": f"198.51.100.{s + 3}",
                         "ports": [f"p{p}" for p in range(1, UNITS_A_SWITCH + 2)] + ["up"], "power_budget_w": 720.0,
                         "uplinks": [{"id": "up", "port": "up", "to": "sw-core", "speed_mbps": 1000.0 if s else 200.0}]})
    return {"format": 1, "site": {"name": "Tram depot of nowhere", "place": "No street 7"}, "limits": {}, "entry_switch": "sw-core", "nightly_at": "02:30",
            "switches": switches, "cameras": [camera(n) for n in range(units)],
            "recorders": [{"id": "recorder", "switch": "sw-core", "port": "rec", "address": "198.51.100.10", "volumes": []}]}


def roll_entry(n):
    c, presence = camera(n), presence_of(n)
    seen = f"{c['switch']}/{c['port']}" if n != 1 else f"{c['switch']}/p26"
    here = presence not in ("awaited",)
    return {"camera": c["id"], "presence": presence, "since": at(20), "address": c["address"] if here else "", "hardware_address": c["hardware_address"],
            "seen_on": seen if here else "", "matched_by": "hardware_address" if here else None, "reason": "1 target missed" if presence == "wanting" else ""}


STRANGER = {"hardware_address": "02:00:5e:30:00:99", "address": "198.51.100.99", "first_seen": at(20), "seen_on": "sw-core/d24", "maker": None, "name": None}
CONFLICT = {"id": "address_not_designed", "subject": f"camera/{unit_id(4)}",
            "sentence": f"{unit_id(4)} has the address 198.51.100.254, the design gives it 198.51.100.5",
            "next_step": "set the designed address in the unit", "evidence": ["heard by ARP"], "at": at(20)}


def roll(units):
    return {"cameras": [roll_entry(n) for n in range(units)], "strangers": [STRANGER], "findings": [CONFLICT],
            "watching": [{"interface": "eth0", "called_now": "eth0", "state": "listening", "note": ""}]}


def reading(value, when=None, unread=None, over_s=10.0, method="RTP over tcp, 10 whole GOPs in 10.0 s"):
    return {"value": value, "uncertainty": 0.0, "when": when or at(20), "over_s": over_s, "method": method, "unread": unread}


def verdict(subject, quantity, what, value, limits=None, reason=""):
    low, high = limits or (None, None)
    return {"subject": subject, "quantity": quantity, "verdict": what, "reason": reason, "margin_ratio": 0.09 if limits else None,
            "target": {"relation": "between", "low": low, "high": high, "word": None, "promised": None, "text": f"{quantity.replace('_', ' ')} of the design"},
            "reading": reading(value, unread=reason if what == "unread" else None)}


def unit_verdicts(n):
    path, presence = f"camera/{unit_id(n)}", presence_of(n)
    away = presence in ("awaited", "lost")
    word = "unread" if away else "met"
    out = [verdict(path, "presence", "missed" if away else "met", presence)]
    out += [verdict(path, q, word, None if away else v, reason="the unit is not here" if away else "")
            for q, v in (("port", f"{switch_of(n)}/p1"), ("link_speed_bps", 1e9), ("power_class", 4.0), ("serial", f"TD-{n:04d}"), ("clock_offset_s", 0.1))]
    for head in (1, 2):
        for stream in ("main", "view"):
            for q, value, limits in STREAM_TARGETS:
                bad = presence == "wanting" and head == 1 and stream == "main" and q == "payload_bps"
                out.append(verdict(f"{path}/head/{head}/stream/{stream}", q, "missed" if bad else word, None if away else 6e6 if bad else value, limits,
                                   "6 Mbit/s is above 4.4 Mbit/s" if bad else "the unit is not here" if away else ""))
    return out


def headroom(units):
    rows = []
    for sw in design(units)["switches"]:
        own = sum(1 for n in range(units) if switch_of(n) == sw["id"]) if sw["id"] != "sw-core" else units
        speed = sw["uplinks"][0]["speed_mbps"] * 1e6
        mean = own * 9.4e6 * (0.72 if sw["id"] != "sw-01" else 0.66)
        rows.append({"uplink": f"switch/{sw['id']}/uplink/up", "direction": "towards recorder recorder", "speed_bps": speed, "ceiling_bps": 0.7 * speed,
                     "designed_bps": own * 9e6, "measured_bps": mean, "busiest_bps": min(speed * 1.2, mean * 1.5), "busiest_risk_ratio": 1e-6,
                     "streams": own * 4, "streams_measured": own * 4, "streams_tapped": 0, "more_units": 3, "more_units_like": f"camera/{unit_id(0)}",
                     "more_units_limited_by": "busiest_instant", "more_units_unread": None, "buffer_needed_bytes": 6.7e5, "method": "invented", "unread": None})
    if len(rows) > 2:
        rows[2] |= {"measured_bps": None, "busiest_bps": None, "unread": "2 of its 100 streams could not be metered"}
    return rows


def days_held():
    row = {"path": "/srv/a", "on_far_end": True, "streams": 40, "rate_bytes_per_s": 2e7, "rate_uncertainty_bytes_per_s": 1e4, "rates_since": at(20),
           "capacity_bytes": 6e13, "capacity_from": "design", "kept_free_ratio": 0.05, "container_overhead_ratio": 0.02, "uncertainty_days": 0.4, "nights": 21,
           "days_to_hold_days": 30.0, "trend_bytes_per_s_per_day": 1e4, "unread": {}, "method": "invented"}
    return [row | {"subject": "recorder/recorder/volume/a", "days_held_days": 33.2, "falls_short": "on_a_day", "falls_short_on": at(90),
                   "falls_short_earliest": at(70), "falls_short_latest": at(160)},
            row | {"subject": "recorder/recorder/volume/b", "days_held_days": 21.0, "falls_short": "now", "falls_short_on": at(20)},
            row | {"subject": f"camera/{unit_id(0)}/cards", "days_held_days": None, "falls_short": None, "rate_bytes_per_s": None, "days_to_hold_days": 4.0,
                   "unread": {"days_held_days": "1 of its 2 streams could not be metered", "falls_short": "1 of its 2 streams could not be metered"}}]


def finding(n):
    return {"id": "stream_bit_rate", "subject": f"camera/{unit_id(n)}/head/1/stream/main",
            "sentence": f"{unit_id(n)}, head 1, stream main sends 6 Mbit/s, the design promises 4 Mbit/s",
            "next_step": "set the stream's bit rate limit in the unit, or its quality if it has no limit",
            "evidence": ["payload 6 Mbit/s; the design: 4 Mbit/s capped, at most 10 % over"]}


def summary(number, nights):
    return {"round": number, "kind": "round" if number == 1 else "night", "state": "complete", "site": "Tram depot of nowhere", "design_sha256": "0" * 64,
            "started": at(number - 1), "ended": at(number - 1, 260), "accepted": {"by": "A. Tester", "at": at(0, 900)} if number == 1 else None,
            "planned_s": 250.0, "plan": "20 streams, 20 at once: every link on the way has room for all of them",
            "counts": {"met": 900, "tight": 2, "missed": 3 if number == nights else 1, "unread": 4}, "exit_code": 1}


def round_document(number, units, nights):
    verdicts = [v for n in range(units) for v in unit_verdicts(n)]
    verdicts.append(verdict("recorder/recorder/volume/a", "sustained_write_bytes_per_s", "met", 4e7))
    return summary(number, nights) | {"roll": [roll_entry(n) for n in range(units)], "strangers": [STRANGER], "verdicts": verdicts,
                                      "findings": [finding(n) for n in range(units) if presence_of(n) == "wanting"],
                                      "headroom": headroom(units), "days_held": days_held()}


def readings(subject):
    """Of one unit: what a round reads of it beyond the targets."""
    when, out = at(20), []
    add = lambda path, quantity, value, method, unread=None: out.append({"subject": path, "quantity": quantity} | reading(value, when, unread, method=method))
    add(subject, "link_state", "up", "IF-MIB")
    add(subject, "link_speed_bps", 1e9, "IF-MIB")
    add(subject, "duplex", "full", "EtherLike-MIB")
    add(subject, "power_class", 4.0, "POWER-ETHERNET-MIB")
    add(subject, "power_drawn_w", None, "", "no standard table of a switch has the watts of a port (RFC 3621 has none)")
    add(subject, "power_requested_w", 18.5, "LLDP")
    add(subject, "firmware", "1.0", "ONVIF device information")
    add(subject, "certificate_not_after", "2027-03-01T00:00:00.000Z", "TLS")
    for head in (1, 2):
        for stream, rate in (("main", 4e6), ("view", 5e5)):
            path = f"{subject}/head/{head}/stream/{stream}"
            add(path, "told_bit_rate_bps", rate, "ONVIF media 2, profile main")
            for quantity, value in (("payload_bps", rate), ("wire_bps", rate * 1.08), ("peak_bps_100ms", rate * 2.6),
                                    ("frame_rate_hz", 25.0), ("gop_frames", 50.0),
                                    ("jitter_ms", 1.2), ("loss_ratio", 0.0), ("keyframe_bytes_max", rate / 40)):
                add(path, quantity, value, "RTP over tcp, 10 whole GOPs in 10.0 s")
            octets = [int(rate / 80 * share) for share in (0.8, 1.1, 2.2, 2.9)]
            add(path, "wire_windows_100ms", " ".join(f"{o}:{n}" for o, n in zip(octets, (454, 445, 41, 7))), "windows of 100 ms")
    return out


def history(subject, quantity, nights):
    points = []
    for n in range(nights):
        gap = n % 17 == 9
        points.append({"round": n + 1, "kind": "night", "at": at(n), "value": None if gap else 4e6 * (1 + 0.02 * math.sin(n / 3) + n * 0.0015),
                       "uncertainty": 2e4, "unread": "the unit was not here" if gap else None})
    return {"subject": subject, "quantity": quantity, "points": points}


def nights_of(camera_id, nights):
    return {"camera": camera_id, "nights": [{"round": n + 1, "kind": "night", "at": at(n), "presence": "lost" if n % 17 == 9 else "proven",
                                             "counts": {"met": 30, "missed": 1 if n % 11 == 5 else 0, "tight": 0, "unread": 0}} for n in range(nights)]}


def witness_points(units):
    texts = {"lanyard": "Safety lanyard hooked in", "gland": "Cable gland closed", "dome": "Dome seated, film removed", "focus": "Focus set"}
    return [{"subject": f"camera/{unit_id(n)}", "point": point, "text": text} for n in range(units) for point, text in texts.items()]


def drift_rows():
    return [{"subject": f"camera/{unit_id(2)}", "aspect": "presence", "quantity": "presence", "was": "proven", "is": "lost", "tolerance": None, "nights": 1,
             "text": f"{unit_id(2)} was here in the accepted round and is gone"},
            {"subject": f"camera/{unit_id(1)}/head/1/stream/main", "aspect": "bit_rate", "quantity": "payload_bps", "was": 4e6,
             "is": 6e6, "tolerance": 0.1, "nights": 3,
             "text": f"{unit_id(1)}, head 1, stream main sends 6 Mbit/s since 3 nights, in the accepted round 4 Mbit/s"}]


def bench(units, running):
    rows = []
    for n in range(units):
        state = ("running", "nearly", "over", "awaited", "off", "no_limit")[n] if n < 6 else "running"
        powered = {"running": 300.0, "nearly": 1500.0, "over": 1900.0, "awaited": None, "off": 700.0, "no_limit": 90.0}[state]
        limit = None if state == "no_limit" else 1800.0
        rows.append({"camera": unit_id(n), "place": PLACES[n % 5].format(n + 1), "state": state,
                     "powered_since": None if powered is None else at(20), "powered_for_s": powered,
                     "power_on_seen": n % 2 == 0, "limit_s": limit, "left_s": None if powered is None or limit is None else limit - powered,
                     "ambient_min_c": 0.0, "ambient_max_c": 40.0, "restarts": [], "off_since": None, "off_before_s": None,
                     "warning": f"{unit_id(n)} has been powered for longer than its guide allows" if state == "over" else "",
                     "serial": f"TD-{n:04d}" if powered else None, "model": "demo unit" if powered else None, "firmware": None, "heads": 2 if powered else None,
                     "verdicts": [verdict(f"camera/{unit_id(n)}", "serial", "missed" if n == 1 else "met", "TD-9999" if n == 1 else f"TD-{n:04d}")]})
    return {"bench": 1 if running else None, "at": at(20), "units": rows, "findings": [], "unread": {}, "exit_code": 0}


def unit_heard(n):
    c = camera(n)
    fact = lambda name, value, source: {"fact": name, "value": value, "source": source, "first_heard": at(19), "last_heard": at(20)}
    return {"unit": c["hardware_address"], "hardware_addresses": [c["hardware_address"]], "maker": None, "interface": "eth0", "vlans": [],
            "first_heard": at(19),
            "last_heard": at(20), "said_goodbye": False, "is_network": False, "serves_dhcp": False, "frames": 40, "starts": [at(19)], "camera": c["id"],
            "matched_by": "hardware_address", "seen_on": f"{c['switch']}/{c['port']}",
            "facts": [fact("ipv4_address", c["address"], "ARP"), fact("host_name", c["id"], "DHCP"), fact("model", "demo unit", "WS-Discovery")]}
