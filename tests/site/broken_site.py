"""A site of small units that can be broken in every way at once, and mended: for tests of findings. Root, as site.py.

`design()` is its design; `BrokenSite` raises it with site.py and then makes faults on the living site: processes end and start
anew, addresses and settings change, packets are dropped by nft at a port. What a bridge of the kernel does not have (negotiation,
duplex, counters of a port, power) its agent's tables say, by snmpd's pass_persist (switch_mibs.py).
"""

import argparse
import importlib.util
import json
import pathlib
import signal
import sys
import threading
import time

HERE = pathlib.Path(__file__).resolve().parent
_spec = importlib.util.spec_from_file_location("demo_site", HERE / "site.py")
demo = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(demo)
sys.path.insert(0, str(HERE.parent / "support"))
from namespaces import wait_until  # noqa: E402

KBPS, FPS, GOP = 400, 25, 25
# Unit -> (switch, how many streams). Hall ports are 1000 Mbit/s, others 100.
HALL = ["pair", "mismatch", "half", "dirty", "starts", "swap-a", "swap-b", "turn-a", "turn-b", "away", "open", "denied", "replaced", "relabelled",
        "codec", "size", "gop", "rate", "bits", "many", "untrue", "untold", "clock", "class", "uneven", "lossy", "bursts", "well"]
YARD = ["yard-1", "yard-2", "yard-3"]
MAST = ["mast-1", "mast-2", "mast-3", "mast-4"]
POLE = ["pole"]
UNITS = {**{u: "sw-hall" for u in HALL}, **{u: "sw-yard" for u in YARD}, **{u: "sw-mast" for u in MAST}, **{u: "sw-pole" for u in POLE}}
TWO_STREAMS = {"lossy", "dirty", "bursts", "pole"}
RECORDED = ["pair", "mismatch", "half", "open", "clock", "class", "well", *MAST]  # whose rates no fault changes
VOLUME_GB, SMALL_VOLUME_GB = 300, 120
# Four units of 1 Mbit/s, a second's key frame six times as large as the other frames (clip.cpp): 11 Mbit/s in 100 ms when all key frames
# come together, 8 Mbit/s when two of them do.
MAST_KBPS, ROOMY_MBPS, THIN_MBPS = 1000, 100, 10


def stream(name):
    out = {"id": name, "use": "record" if name == "main" else "view", "codec": "H264", "width_px": 320, "height_px": 240, "frame_rate_hz": FPS,
           "bit_rate_kbps": KBPS, "rate_mode": "capped", "gop_frames": GOP, "transport": "udp", "path": f"/1/{name}"}
    return out


def camera(number, unit, switch, port):
    streams = [stream(name) for name in (("main", "view") if unit in TWO_STREAMS else ("main",))]
    if unit == "untold":
        streams[0].pop("gop_frames")
    if unit == "bursts":  # packets enough to show that one of its streams loses none
        for one in streams:
            one["bit_rate_kbps"] = 1500
    if unit == "uneven":  # a packet a frame: the jitter of RFC 3550 is a mean over packets
        streams[0]["bit_rate_kbps"] = 150
    if unit in MAST:
        streams[0]["bit_rate_kbps"] = MAST_KBPS
    return {"id": unit, "place": f"column {number}", "switch": switch, "port": port, "hardware_address": f"02:00:5e:10:02:{number:02x}",
            "serial": f"TD-{number:04}", "firmware": "1.0", "address": f"198.51.100.{100 + number}", "link_speed_mbps": 1000 if switch == "sw-hall" else 100,
            "power_source": "switch_port", "power_class": 2, "worst_power_w": 4.0, "login_secret": "cameras", "rtsp_port": 554, "onvif_port": 80,
            "heads": [{"id": "1", "view": "", "streams": streams}]}


def design(stream_seconds=2.5, uplinks_mbps=ROOMY_MBPS):
    cameras, at = [], {}
    for number, (unit, switch) in enumerate(UNITS.items(), 1):
        at[switch] = at.get(switch, 0) + 1
        cameras.append(camera(number, unit, switch, f"p{at[switch]}"))
    ports = [f"p{n}" for n in range(1, len(HALL) + 3)]
    switches = [{"id": "sw-hall", "address": "198.51.100.2", "ports": [*ports, "rec", "tech", "yard", "mast", "pole", "up"], "power_budget_w": 240,
                 "uplinks": [{"id": "up", "port": "up", "to": "core", "speed_mbps": 1000}]}]
    for n, name in enumerate(("yard", "mast", "pole"), 3):
        switches.append({"id": f"sw-{name}", "address": f"198.51.100.{n}", "ports": ["p1", "p2", "p3", "p4", "p5", "up"], "power_budget_w": 60,
                         "uplinks": [{"id": "up", "port": "up", "to": "sw-hall", "speed_mbps": uplinks_mbps}]})
    for switch in switches:
        switch["snmp"] = {"version": "2c", "secret": "switches", "udp_port": 161}
    volume = {"id": "main", "path": "/srv/recordings/main", "on_far_end": True, "capacity_gb": VOLUME_GB, "days_to_hold": 2,
              "streams": [f"{unit}/1/main" for unit in RECORDED]}
    return {"format": 1, "site": {"name": "Tram depot, test track", "place": "", "customer": ""},
            "limits": {"stream_seconds": stream_seconds, "busiest_instant_risk_ratio": 0.02},
            "entry_switch": "sw-hall", "switches": switches, "cameras": cameras,
            "recorders": [{"id": "recorder", "place": "", "address": "198.51.100.10", "switch": "sw-hall", "port": "rec", "volumes": [volume]}],
            "far_end": {"address": "198.51.100.10", "tcp_port": 7861, "secret": "far-end", "switch": "sw-hall"}}


class BrokenSite:
    def __init__(self, folder, bin_, plan, cache):
        self.folder, self.plan = pathlib.Path(folder), plan
        self.folder.mkdir(parents=True, exist_ok=True)
        self.design_file = self.folder / "design.json"
        self.design_file.write_text(json.dumps(plan))
        arguments = argparse.Namespace(prefix=None, bin=bin_, design=self.design_file, cache=cache, first_after=0.0, every=0.0)
        self.site = demo.Site(demo.State(self.folder / "state"), plan, {}, arguments)
        self.state_directory = self.folder / "state"
        self.cameras = {c["id"]: c for c in plan["cameras"]}
        self.stopping = threading.Event()
        self.workers = []
        self.restarts = 0
        self.lock = threading.RLock()  # of processes and of the file that names them

    def up(self):
        try:
            self.site.up()
            for one in self.plan["cameras"]:
                self.site.start_camera(one)
        except BaseException:
            self.down()
            raise

    def down(self):
        self.stopping.set()
        for worker in self.workers:
            worker.join(10)
        demo.down(self.state_directory)

    @property
    def namespaces(self):
        return self.site.state.data["namespaces"]

    # -- what can be done to a unit ------------------------------------------------------------------

    def settings(self, unit):
        return json.loads((self.state_directory / f"camera-{unit}.json").read_text())

    def end(self, unit):
        with self.lock:
            demo.end_process(*self.site.state.data["processes"].pop(f"camera/{unit}", [0, None]))

    def start(self, unit, settings=None, mac=None, address=None):
        """The unit comes up anew in its place, as somebody else if so told."""
        if settings is not None:
            (self.state_directory / f"camera-{unit}.json").write_text(json.dumps(settings))
        full = self.namespaces[unit]
        if mac:
            demo.run("ip", "-n", full, "link", "set", "dev", "eth0", "address", mac)
        if address:
            demo.run("ip", "-n", full, "address", "flush", "dev", "eth0", "scope", "global")
            demo.run("ip", "-n", full, "address", "add", f"{address}/24", "dev", "eth0")
        with self.lock:
            self.site.start_camera(self.cameras[unit])

    def change(self, unit, **more):
        """Settings of its one stream are told with stream={…}."""
        settings = self.settings(unit)
        settings["streams"][0].update(more.pop("stream", {}))
        self.end(unit)
        self.start(unit, settings | more)

    def clip(self, **other):
        like = stream("main") | other
        self.site.make_clips_of([like])
        return str(self.site.clip_file(like))

    def link(self, unit, state):
        where = self.site.state.data["cameras"][unit]
        demo.run("ip", "-n", self.namespaces[where["switch"]], "link", "set", "dev", where["port"], state)

    def drop(self, name, namespace, device, every, ports="6000-6999"):
        """Of the RTP packets from these ports of units that come in there, one of so many is gone, at random."""
        self.site.inside(namespace, "nft", f"add table netdev {name}; add chain netdev {name} in {{ type filter hook ingress device {device} priority 0; }}; "
                         f"add rule netdev {name} in udp sport {ports} numgen random mod {every} == 0 drop")

    def mend_drop(self, name, namespace):
        self.site.inside(namespace, "nft", "delete", "table", "netdev", name)

    def again_and_again(self, work):
        worker = threading.Thread(target=work, daemon=True)
        self.workers.append(worker)
        worker.start()

    def restart_for_ever(self, unit, on_s=8.0, off_s=1.5):
        """Loses its power and comes back, over and over: its link too. Signs of a start within 8 s are of the same one."""
        def work():
            while not self.stopping.wait(on_s):
                self.end(unit)
                demo.run("ip", "-n", self.namespaces[unit], "link", "set", "dev", "eth0", "down")
                self.stopping.wait(off_s)
                if self.stopping.is_set():
                    return
                self.start(unit)
                self.restarts += 1
        self.again_and_again(work)

    def hiccup_for_ever(self, unit, on_s=0.1, off_s=0.7):
        """The unit's processor has other things to do: its process rests now and then."""
        pid = self.site.state.data["processes"][f"camera/{unit}"][0]
        def work():
            while not self.stopping.wait(on_s):
                demo.os.killpg(pid, signal.SIGSTOP)
                time.sleep(off_s)
                demo.os.killpg(pid, signal.SIGCONT)
        self.again_and_again(work)

    # -- what the agent of a switch says ---------------------------------------------------------------

    def tell(self, switch, ports=None, **more):
        """`ports` as in switch_mibs.py; counters count from now on."""
        file = self.state_directory / switch / "tables.json"
        tables = json.loads(file.read_text())
        tables |= {"ports": ports or {}, "since": time.time()} | more
        fresh = file.with_suffix(".new")
        fresh.write_text(json.dumps(tables))
        fresh.replace(file)

    def restart_agent(self, switch, speeds_mbps):
        """snmpd reads the speeds of ports from its configuration: it starts anew with these."""
        for port, mbps in speeds_mbps.items():
            self.site.port_speed[switch, port] = mbps
            self.site.shape(switch, port, mbps)
        demo.end_process(*self.site.state.data["processes"].pop(f"snmpd/{switch}"))
        self.site.start_agent(next(s for s in self.plan["switches"] if s["id"] == switch))

    def wait_for_speeds(self, switch):
        """snmpd shows a port's own speed only from its second look at the interfaces on."""
        plan = next(s for s in self.plan["switches"] if s["id"] == switch)
        community = self.site.secrets[plan["snmp"]["secret"]]["community"]
        wanted = sorted(mbps for (name, _), mbps in self.site.port_speed.items() if name == switch)

        def shown():
            walk = self.site.inside(switch, "snmpwalk", "-v2c", "-c", community, "-Oqv", "-r0", "-t2", plan["address"], ".1.3.6.1.2.1.31.1.1.1.15", check=False)
            speeds = [int(line) for line in walk.stdout.split() if line.isdigit()]
            return all(speeds.count(mbps) >= wanted.count(mbps) for mbps in set(wanted))
        wait_until(shown, 60, f"speeds of {switch}")

    def port(self, unit):
        return self.cameras[unit]["port"]

    # -- volumes ------------------------------------------------------------------------------------------

    def smaller_slower_volume(self, gigabytes, octets_per_s):
        """Another disk is in the place of the one that was there."""
        image, mount = self.state_directory / "small.img", pathlib.Path(self.site.state.data["volumes"]["main"])
        # The far end has mounts of its own: `ip netns exec` gave it a namespace of them.
        far_end = self.site.state.data["processes"]["far-end"][0]
        self.site.raise_volume(image, mount, gigabytes, octets_per_s, "nsenter", "--mount", "--target", far_end)


class Service:
    """tallywired on the technician's machine, with a record of its own each time."""

    def __init__(self, site, folder, bin_):
        self.site, self.folder, self.bin, self.process, self.count = site, pathlib.Path(folder), bin_, None, 0

    def start(self, design_file):
        self.count += 1
        self.socket = self.folder / f"service-{self.count}.sock"
        self.log = open(self.folder / f"service-{self.count}.log", "w")
        self.process = demo.subprocess.Popen(
            ["ip", "netns", "exec", self.site.namespaces["technician"], f"{self.bin}/tallywired", "--design", design_file, "--secrets",
             self.site.state_directory / "secrets.json", "--interface", "eth0", "--record", self.folder / f"record-{self.count}", "--socket", self.socket,
             "--loopback-port", "0"], stdin=demo.subprocess.DEVNULL, stdout=self.log, stderr=self.log)
        wait_until(lambda: self.process.poll() is not None or self.ask("arrivals").returncode == 0, 30, "the service")
        if self.process.poll() is not None:
            raise AssertionError(f"the service ended: {pathlib.Path(self.log.name).read_text()}")

    def stop(self):
        if self.process is None:
            return
        self.process.terminate()
        self.process.wait(20)
        self.process = None
        self.log.close()

    def ask(self, *words):
        return demo.subprocess.run([f"{self.bin}/tallywire", *words, "--json", "--socket", str(self.socket)], capture_output=True, text=True, timeout=180)

    def presence(self):
        return {c["camera"]: c["presence"] for c in json.loads(self.ask("arrivals").stdout)["cameras"]}

    def wait_for(self, units):
        def here():
            return sum(p not in ("awaited", "lost") for p in self.presence().values()) >= units
        wait_until(here, 40, f"{units} units")

    def round(self, *words):
        done = self.ask(*(words or ("round",)))
        if done.returncode not in (0, 1, 3):
            raise AssertionError(f"exit {done.returncode}\n{done.stdout}\n{done.stderr}")
        return json.loads(done.stdout)
