"""Every fault that a round can find, made at once on a living broken_site.BrokenSite, and what must be found for it."""

from broken_site import FPS, GOP, KBPS, SMALL_VOLUME_GB, THIN_MBPS, UNITS, YARD


def everything(site):
    """Breaks the site in every way at once; answers what a round by design(uplinks_mbps=THIN_MBPS) must find: {(id, subject)}, and nothing else."""
    at = {u: f"camera/{u}" for u in UNITS}
    main = {u: f"camera/{u}/head/1/stream/main" for u in UNITS}
    found = set()

    def now(id_, subject):
        found.add((id_, subject))

    units(site, at, main, now)
    network(site, at, main, now)
    site.smaller_slower_volume(SMALL_VOLUME_GB, 100_000)
    now("volume_slow", "recorder/recorder/volume/main")
    now("volume_short", "recorder/recorder/volume/main")
    site.restart_for_ever("starts")
    return found


def lose_at_the_technician(site):
    """All that comes to this machine loses, and nothing elsewhere any more."""
    for name in ("at_lossy", "at_dirty", "at_bursts", "uplink", "pole"):
        site.mend_drop(name, "sw-hall")
    site.drop("technician", "technician", "eth0", 30)


def units(site, at, main, now):
    site.change("codec", stream={"codec": "H265", "file": site.clip(codec="H265")})
    now("stream_other_codec", main["codec"])
    site.change("size", stream={"width_px": 640, "height_px": 360, "file": site.clip(width_px=640, height_px=360)})
    now("stream_other_size", main["size"])
    site.change("gop", stream={"gop_frames": 10, "file": site.clip(gop_frames=10)})
    now("stream_gop", main["gop"])
    site.change("rate", stream={"frame_rate_hz": 15, "bit_rate_bps": KBPS * 1000})
    now("stream_frame_rate", main["rate"])
    site.change("bits", stream={"bit_rate_bps": KBPS * 1500})
    now("stream_bit_rate", main["bits"])
    site.change("many", stream={"width_px": 640, "height_px": 360, "gop_frames": 10, "frame_rate_hz": 12,
                                "file": site.clip(width_px=640, height_px=360, gop_frames=10)})
    now("stream_set_otherwise", main["many"])
    site.change("untrue", stream={"frame_rate_hz": 12, "told_frame_rate_hz": FPS, "bit_rate_bps": KBPS * 500})
    now("stream_frame_rate", main["untrue"])
    site.change("untold", stream={"gop_frames": 10, "told_gop_frames": GOP, "file": site.clip(gop_frames=10)})
    now("stream_not_as_told", main["untold"])
    site.change("clock", clock_offset_s=540)
    now("clock_off", at["clock"])
    site.change("open", user="", password="")
    now("open_door", at["open"])
    site.change("relabelled", serial="TD-9999", firmware="0.9")
    now("other_unit", at["relabelled"])  # whose firmware follows from it
    # Each unit in the other's place; then two in their places with each other's address.
    one, other = site.settings("swap-a"), site.settings("swap-b")
    for unit in ("swap-a", "swap-b", "turn-a", "turn-b", "away", "replaced"):
        site.end(unit)
    for unit, settings, like in (("swap-a", other, "swap-b"), ("swap-b", one, "swap-a")):
        site.start(unit, settings, mac=site.cameras[like]["hardware_address"], address=site.cameras[like]["address"])
    now("units_swapped", at["swap-a"])
    for unit, like in (("turn-a", "turn-b"), ("turn-b", "turn-a")):
        address = site.cameras[like]["address"]
        site.start(unit, site.settings(unit) | {"address": address}, address=address)
    now("units_swapped", at["turn-a"])
    site.start("away", site.settings("away") | {"address": "192.0.2.77"}, address="192.0.2.77")
    now("address_not_designed", at["away"])
    site.start("replaced", site.settings("replaced") | {"address": "198.51.100.99", "serial": "TD-7777"}, mac="02:00:5e:20:00:99", address="198.51.100.99")
    now("other_unit_on_port", at["replaced"])  # the stranger there, and the one who is missing, follow from it
    now("starts_again", at["starts"])
    # Less than its pictures need, so that nothing fills them up: a packet a frame.
    site.change("uneven", stream={"bit_rate_bps": 118_000})
    site.hiccup_for_ever("uneven")
    now("stream_jitter", main["uneven"])


def network(site, at, main, now):
    for unit, every in (("lossy", 30), ("dirty", 25)):
        site.drop(f"at_{unit}", "sw-hall", site.port(unit), every)
    now("loss_access", at["lossy"])
    site.drop("at_bursts", "sw-hall", site.port("bursts"), 30, "6000-6009")  # one of its two streams
    now("stream_loss", main["bursts"])
    for switch in ("sw-yard", "sw-mast", "sw-pole"):
        site.site.shape(switch, "up", THIN_MBPS)
    now("uplink_key_frames_together", "switch/sw-mast/uplink/up")
    # 8 Mbit/s on the wire, above the ceiling of 7; then 6 Mbit/s, whose key frames alone are 13 Mbit/s in 100 ms.
    for unit in YARD:
        site.change(unit, stream={"bit_rate_bps": 2_500_000})
        now("stream_bit_rate", main[unit])
    now("uplink_over_ceiling", "switch/sw-yard/uplink/up")
    site.change("pole", stream={"bit_rate_bps": 5_000_000})
    now("stream_bit_rate", main["pole"])
    now("uplink_busiest_instant", "switch/sw-pole/uplink/up")
    site.drop("uplink", "sw-hall", "yard", 30)
    now("loss_uplink", "switch/sw-yard/uplink/up")
    site.drop("pole", "sw-hall", "pole", 30)
    now("loss_between", at["pole"])
    site.end("denied")
    site.link("denied", "down")
    now("power_denied", at["denied"])  # that it never arrived follows from it
    now("link_below_offer", at["pair"])
    now("duplex_mismatch", at["mismatch"])
    now("half_duplex", at["half"])
    now("link_dirty", at["dirty"])  # whose loss follows from it
    now("power_class", at["class"])
    now("power_overload", at["open"])
    now("power_short_circuit", at["clock"])
    now("power_fault", at["away"])
    now("power_short", "switch/sw-yard")
    site.site.shape("sw-hall", "rec", 8)
    now("path_short", "path/far-end")
    port = site.port
    site.restart_agent("sw-hall", {port("pair"): 100, port("mismatch"): 100, port("half"): 100})
    site.tell("sw-hall", {
        port("pair"): {"runs_mbps": 100, "offers_mbps": 1000},
        port("mismatch"): {"runs_mbps": 100, "duplex": "half", "negotiation": "on", "offers_mbps": 100, "counts_per_s": {"late_collisions": 3}},
        port("half"): {"runs_mbps": 100, "duplex": "half", "negotiation": "on", "offers_mbps": 100},
        port("dirty"): {"counts_per_s": {"fcs_errors": 4}},
        port("denied"): {"power_state": "searching", "counts_per_s": {"power_denied": 1}},
        port("open"): {"counts_per_s": {"power_overloads": 1}},
        port("clock"): {"counts_per_s": {"power_shorts": 1}},
        port("away"): {"power_state": "fault"},
        port("class"): {"power_class": 1}})
    site.tell("sw-yard", power_budget_w=10)
