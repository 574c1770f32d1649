#!/usr/bin/python3
"""Raises the demo site from a design: namespaces, bridges with real snmpd and lldpd, shaped links, simulated cameras.

  site.py up --state DIR --bin DIR [--design FILE] [--faults shipped|none|NAME[:TARGET],…] [--prefix NAME]
             [--first-after S] [--every S] [--cache DIR]
  site.py down --state DIR              takes away all that `up` made, also after half an `up`
  site.py cut|mend CAMERA --state DIR   a camera's link down, up
  site.py power CAMERA on|off --state DIR
  site.py status --state DIR            the state as JSON
  site.py faults                        what can be broken, and what a round must find

Needs root. Touches nothing but what it made: every namespace, process, mount and loop device is noted in
DIR/state.json before it is used, and ended by what is noted there.
"""

import argparse
import ipaddress
import json
import os
import pathlib
import secrets
import shutil
import signal
import subprocess
import sys
import tempfile
import time

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))
import switch_mibs  # noqa: E402

ROOT = HERE.parent.parent
NETWORK_BITS = 24
TECHNICIAN = "198.51.100.20"
LOSS_EVERY = 50
MEDIA1_ONLY = {"gate-north"}  # a unit of the older kind, without ONVIF's second media service

# Name -> (what it hits, what is done, what a round must find). The shipped demo has all of these at once.
FAULTS = {
    "never_up": ("wash-bay", "the camera is never powered", "never_arrived"),
    "slow_port": ("hall-quad", "its port runs at 100 Mbit/s and says so", "port_slow"),
    "over_rate": ("hall-track-1/1/main", "the stream sends 1.5 times its bit rate", "stream_bit_rate"),
    "short_rate": ("workshop/1/main", "the stream sends 60 % of its frames", "stream_frame_rate"),
    "lossy": ("hall-track-2/1/main", "every 50th packet is dropped at the switch port", "loss_access"),
    "wrong_port": ("gate-south", "the camera hangs on the switch's last free port", "wrong_port"),
    "clock_off": ("yard-mast", "the camera's clock is nine minutes ahead", "clock_off"),
    "slow_volume": ("spare", "the volume takes 0.3 MB/s", "volume_slow"),
    "stranger": ("sw-hall", "a unit that the design does not know hangs on its last free port", "stranger"),
}
# Not in the shipped demo: for tests, and for whoever asks for them by name.
MORE_FAULTS = {
    "other_login": ("yard-mast", "the camera has another password than the secrets say", "login_refused"),
    "silent": ("gate-north", "the camera accepts every connection and says nothing", "no finding: unread, took too long"),
    "closed": ("workshop", "the camera answers ARP and has no port open", "no finding: unread, unreachable"),
}


def run(*command, check=True, **options):
    done = subprocess.run([str(c) for c in command], capture_output=True, text=True, **options)
    if check and done.returncode != 0:
        raise RuntimeError(f"{' '.join(map(str, command))}: {done.stderr.strip() or done.stdout.strip()}")
    return done


class State:
    """What was made so far, on disk before it is made, so that `down` finds it after any accident."""

    def __init__(self, directory):
        self.directory = pathlib.Path(directory)
        self.file = self.directory / "state.json"
        self.data = json.loads(self.file.read_text()) if self.file.exists() else {
            "namespaces": {}, "processes": {}, "mounts": [], "loops": [], "cgroups": [], "cameras": {}, "volumes": {}}

    def save(self):
        self.directory.mkdir(parents=True, exist_ok=True)
        fresh = self.file.with_suffix(".new")
        fresh.write_text(json.dumps(self.data, indent=1))
        fresh.replace(self.file)

    def note(self, kind, key, value):
        self.data[kind][key] = value
        self.save()


def gop_of(stream):
    """A design may leave it to the unit: a key frame a second."""
    return stream.get("gop_frames") or round(stream["frame_rate_hz"])


def parse_faults(text):
    chosen = {}
    if text == "shipped":
        return {name: target for name, (target, _, _) in FAULTS.items()}
    for part in filter(None, text.split(",")) if text != "none" else []:
        name, _, target = part.partition(":")
        known = FAULTS | MORE_FAULTS
        if name not in known:
            sys.exit(f"there is no fault “{name}”; there are: {', '.join(known)}")
        chosen[name] = target or known[name][0]
    return chosen


class Site:
    def __init__(self, state, design, faults, arguments):
        self.state, self.design, self.faults, self.arguments = state, design, faults, arguments
        self.prefix = arguments.prefix or f"tw{os.getpid()}"
        self.bin = pathlib.Path(arguments.bin)
        self.port_speed = {}   # (switch, port) -> Mbit/s as it is
        self.port_of = {}      # camera -> (switch, port) as it is

    # -- small steps -------------------------------------------------------------------------------

    def namespace(self, name):
        full = f"{self.prefix}-{name}"
        self.state.note("namespaces", name, full)
        run("ip", "netns", "add", full)
        run("ip", "-n", full, "link", "set", "dev", "lo", "up")
        if name == "core" or name in {sw["id"] for sw in self.design["switches"]}:
            # A switch's ports have no stack of their own; the kernel would give each of them an IPv6 address.
            self.inside(name, "sysctl", "-qw", "net.ipv6.conf.default.disable_ipv6=1")
        return full

    def inside(self, name, *command, **options):
        return run("ip", "netns", "exec", self.state.data["namespaces"][name], *command, **options)

    def start(self, key, namespace, *command, log=None):
        """A process of ours in a namespace, in a session of its own, noted by id and start time."""
        log = log or self.state.directory / f"{key.replace('/', '-')}.log"
        with open(log, "ab") as out:
            process = subprocess.Popen(["ip", "netns", "exec", self.state.data["namespaces"][namespace], *map(str, command)],
                                       stdout=out, stderr=out, stdin=subprocess.DEVNULL, start_new_session=True)
        self.state.note("processes", key, [process.pid, started_at(process.pid)])

    def cable(self, switch, port, namespace, mac=None):
        """A veth pair: the switch's end is called like the port, the unit's end eth0."""
        here, there = self.state.data["namespaces"][switch], self.state.data["namespaces"][namespace]
        run("ip", "link", "add", "name", port, "netns", here, "type", "veth", "peer", "name", "eth0", "netns", there)
        run("ip", "-n", here, "link", "set", "dev", port, "master", "br0", "up")
        if mac:
            run("ip", "-n", there, "link", "set", "dev", "eth0", "address", mac)

    def shape(self, namespace, device, mbps):
        burst = max(32, int(mbps * 1000 / 8 / 100))  # 10 ms worth of octets, in kB
        run("tc", "-n", self.state.data["namespaces"][namespace], "qdisc", "replace", "dev", device, "root", "tbf",
            "rate", f"{mbps}mbit", "burst", f"{burst}kb", "latency", "400ms")

    # -- the parts ---------------------------------------------------------------------------------

    def raise_switches(self):
        for index, switch in enumerate(self.design["switches"]):
            full = self.namespace(switch["id"])
            run("ip", "-n", full, "link", "add", "br0", "type", "bridge")
            run("ip", "-n", full, "link", "set", "dev", "br0", "address", f"02:00:5e:10:01:{index + 1:02x}")
            run("ip", "-n", full, "address", "add", f"{switch['address']}/{NETWORK_BITS}", "dev", "br0")
            run("ip", "-n", full, "link", "set", "dev", "br0", "up")

    def raise_uplinks(self):
        """An uplink to another switch ends on a port there that is called like the lower switch, else on any free one."""
        taken = {(c["switch"], c["port"]) for c in self.design["cameras"]}
        self.namespace("core")
        for switch in self.design["switches"]:
            for uplink in switch["uplinks"]:
                here = self.state.data["namespaces"][switch["id"]]
                upper = next((s for s in self.design["switches"] if s["id"] == uplink["to"]), None)
                self.port_speed[switch["id"], uplink["port"]] = uplink["speed_mbps"]
                if upper is None:
                    self.cable(switch["id"], uplink["port"], "core")
                    self.shape(switch["id"], uplink["port"], uplink["speed_mbps"])
                    run("ip", "-n", self.state.data["namespaces"]["core"], "link", "set", "dev", "eth0", "up")
                    continue
                there = self.state.data["namespaces"][upper["id"]]
                name = switch["id"].removeprefix("sw-")
                port = name if name in upper["ports"] else next(
                    p for p in reversed(upper["ports"]) if (upper["id"], p) not in taken)
                run("ip", "link", "add", "name", uplink["port"], "netns", here, "type", "veth", "peer", "name", port, "netns", there)
                for end, device in ((here, uplink["port"]), (there, port)):
                    run("ip", "-n", end, "link", "set", "dev", device, "master", "br0", "up")
                self.port_speed[upper["id"], port] = uplink["speed_mbps"]
                self.shape(switch["id"], uplink["port"], uplink["speed_mbps"])
                self.shape(upper["id"], port, uplink["speed_mbps"])

    def raise_host(self, name, switch, port, address, mac):
        self.namespace(name)
        self.cable(switch, port, name, mac)
        full = self.state.data["namespaces"][name]
        run("ip", "-n", full, "address", "add", f"{address}/{NETWORK_BITS}", "dev", "eth0")
        run("ip", "-n", full, "link", "set", "dev", "eth0", "up")
        self.port_speed[switch, port] = 1000

    def raise_camera(self, camera):
        switch, port = camera["switch"], camera["port"]
        if self.faults.get("wrong_port") == camera["id"]:
            port = self.free_port(switch)
        speed = camera["link_speed_mbps"]
        if self.faults.get("slow_port") == camera["id"]:
            speed = 100
        self.port_of[camera["id"]] = (switch, port)
        self.port_speed[switch, port] = speed
        self.namespace(camera["id"])
        self.cable(switch, port, camera["id"], camera["hardware_address"])
        full = self.state.data["namespaces"][camera["id"]]
        run("ip", "-n", full, "address", "add", f"{camera['address']}/{NETWORK_BITS}", "dev", "eth0")
        if speed <= 100:
            self.shape(camera["id"], "eth0", speed)
            self.shape(switch, port, speed)
        self.state.note("cameras", camera["id"], {"switch": switch, "port": port, "config": str(self.camera_file(camera))})

    def free_port(self, switch):
        taken = {(c["switch"], c["port"]) for c in self.design["cameras"]} | set(self.port_speed) | set(self.port_of.values())
        ports = next(s for s in self.design["switches"] if s["id"] == switch)["ports"]
        return next(p for p in reversed(ports) if p.startswith("p") and (switch, p) not in taken)

    def camera_file(self, camera):
        """What the simulator reads; holds the login, so it is ours alone."""
        streams = []
        for head in camera["heads"]:
            for stream in head["streams"]:
                name = f"{camera['id']}/{head['id']}/{stream['id']}"
                fps, rate = stream["frame_rate_hz"], stream["bit_rate_kbps"] * 1000
                if self.faults.get("over_rate") == name:
                    rate *= 1.5
                if self.faults.get("short_rate") == name:
                    fps *= 0.6
                streams.append({"path": stream.get("path", f"/head/{head['id']}/{stream['id']}"), "codec": stream["codec"],
                                "head": head["id"], "width_px": stream["width_px"], "height_px": stream["height_px"],
                                "file": str(self.clip_file(stream)), "frame_rate_hz": fps, "bit_rate_bps": rate, "gop_frames": gop_of(stream)})
        login = self.secrets[camera["login_secret"]]
        file = self.state.directory / f"camera-{camera['id']}.json"
        offset = 540 if self.faults.get("clock_off") == camera["id"] else 0
        file.touch(mode=0o600)
        password = secrets.token_urlsafe(12) if self.faults.get("other_login") == camera["id"] else login["password"]
        speech = next((word for word in ("silent", "closed") if self.faults.get(word) == camera["id"]), "whole")
        file.write_text(json.dumps({"address": camera["address"], "user": login["user"], "password": password, "speech": speech,
                                    "serial": camera["serial"], "rtsp_port": camera["rtsp_port"], "onvif_port": camera["onvif_port"],
                                    "clock_offset_s": offset, "media_version": 1 if camera["id"] in MEDIA1_ONLY else 2,
                                    "streams": streams}))
        return file

    def clip_file(self, stream):
        s = stream
        ending = "h265" if s["codec"] == "H265" else "h264"
        return pathlib.Path(self.arguments.cache) / f"{s['width_px']}x{s['height_px']}-{gop_of(s)}.{ending}"

    def make_clips(self):
        """One GOP of moving test picture for each size, codec and GOP length; kept from one demo to the next."""
        self.make_clips_of([s for c in self.design["cameras"] for h in c["heads"] for s in h["streams"]])

    def make_clips_of(self, streams):
        pathlib.Path(self.arguments.cache).mkdir(parents=True, exist_ok=True)
        wanted = {self.clip_file(s): s for s in streams}
        # Whole before it has its name; another site may make the same at this moment.
        with tempfile.TemporaryDirectory(dir=self.arguments.cache) as unfinished:
            self.make_clips_in(pathlib.Path(unfinished), wanted)

    @staticmethod
    def make_clips_in(unfinished, wanted):
        makers = []
        for file, s in wanted.items():
            if file.exists():
                continue
            gop = gop_of(s)
            common = ["ffmpeg", "-hide_banner", "-loglevel", "error", "-y", "-f", "lavfi", "-i",
                      f"testsrc2=size={s['width_px']}x{s['height_px']}:rate=25", "-frames:v", str(gop), "-pix_fmt", "yuv420p"]
            if s["codec"] == "H265":
                coder = ["-c:v", "libx265", "-preset", "ultrafast", "-crf", "45", "-x265-params",
                         f"keyint={gop}:min-keyint={gop}:scenecut=0:bframes=0:repeat-headers=1:open-gop=0:slices=1:log-level=none:pools=none:frame-threads=1", "-f", "hevc"]
            else:
                coder = ["-c:v", "libx264", "-preset", "ultrafast", "-crf", "45", "-x264-params",
                         f"keyint={gop}:min-keyint={gop}:scenecut=0:bframes=0:repeat-headers=1:slices=1:threads=1", "-f", "h264"]
            part = unfinished / file.name
            makers.append((file, part, subprocess.Popen(common + coder + [str(part)], stdin=subprocess.DEVNULL)))
        for file, part, process in makers:
            if process.wait() != 0:
                raise RuntimeError(f"ffmpeg could not make {file}")
            part.rename(file)

    def make_secrets(self):
        """A secret for every name in the design, made anew for each site."""
        names = {}
        for camera in self.design["cameras"]:
            names[camera["login_secret"]] = {"user": "depot", "password": secrets.token_urlsafe(12)}
        for switch in self.design["switches"]:
            names[switch["snmp"]["secret"]] = {"community": secrets.token_hex(8)}
        if "far_end" in self.design:
            names[self.design["far_end"]["secret"]] = {"key": secrets.token_hex(32)}
        self.secrets = names
        file = self.state.directory / "secrets.json"
        file.touch(mode=0o600)
        file.write_text(json.dumps(names, indent=1))
        self.state.data["secrets"] = str(file)
        self.state.save()

    def raise_volumes(self):
        """Each volume of the recorder is a file system of its own on a loop device; the far end may write there. It is as large
        as the design says, in a file of holes, and no faster than a disk, so that a measurement fills little of this machine's."""
        volumes = {}
        for recorder in self.design["recorders"]:
            for volume in recorder["volumes"]:
                name = volume["id"]
                mount = self.state.directory / f"volume-{name}"
                mount.mkdir()
                self.raise_volume(self.state.directory / f"{name}.img", mount, volume["capacity_gb"],
                                  300_000 if self.faults.get("slow_volume") == name else 40_000_000)
                self.state.note("volumes", name, str(mount))
                volumes[volume["path"]] = str(mount)
        return volumes

    def raise_volume(self, image, mount, gigabytes, octets_per_s, *where):
        run("truncate", "-s", str(int(gigabytes * 1.01e9)), image)  # ext4's own tables beside
        run("mkfs.ext4", "-q", "-m", "0", "-N", "4096", "-O", "^has_journal,^resize_inode", "-E", "lazy_itable_init=1,nodiscard", image)
        loop = run("losetup", "--find", "--show", "--direct-io=on", image).stdout.strip()
        self.state.data["loops"].append(loop)
        self.state.data["mounts"].append(str(mount))
        self.state.save()
        run(*where, "mount", "-o", "discard", loop, mount)
        self.throttle(loop, octets_per_s)

    def throttle(self, loop, octets_per_s):
        """cgroup v1: the far end's process is put into a group that may write to this device so fast and no faster."""
        group = pathlib.Path("/sys/fs/cgroup/blkio")
        if not (group / "blkio.throttle.write_bps_device").exists() and not os.path.ismount(group):
            run("mount", "-t", "cgroup", "-o", "blkio", "cgroup", group, check=False)
        ours = group / self.prefix
        if not self.state.data["cgroups"]:
            self.state.data["cgroups"].append(str(ours))
            self.state.save()
            ours.mkdir()
        numbers = run("lsblk", "-ndo", "MAJ:MIN", loop).stdout.strip()
        (ours / "blkio.throttle.write_bps_device").write_text(f"{numbers} {octets_per_s}\n")

    def start_switch(self, switch):
        name, directory = switch["id"], self.state.directory / switch["id"]
        directory.mkdir()
        self.write_tables(switch)
        self.start_agent(switch)
        self.start("lldpd/" + name, name, "lldpd", "-d", "-u", directory / "lldpd.socket", "-S", "a demo switch", "-I", "*,!lo,!br0")

    def write_tables(self, switch):
        name = switch["id"]
        powered = {self.port_of[c["id"]][1]: c.get("power_class") for c in self.design["cameras"]
                   if c["switch"] == name and c.get("power_source", "switch_port") == "switch_port" and c["id"] in self.port_of
                   and self.faults.get("never_up") != c["id"]}
        (self.state.directory / name / "tables.json").write_text(json.dumps({
            "name": name, "power_classes": powered, "power_budget_w": switch.get("power_budget_w"),
            "speeds_mbps": {port: mbps for (sw, port), mbps in self.port_speed.items() if sw == name}}))

    def start_agent(self, switch):
        name, directory = switch["id"], self.state.directory / switch["id"]
        speeds = "".join(f"interface {port} 6 {int(mbps * 1e6)}\n" for (sw, port), mbps in self.port_speed.items() if sw == name)
        community = self.secrets[switch["snmp"]["secret"]]["community"]
        served = "".join(f"pass_persist {tree} /usr/bin/python3 {HERE}/switch_mibs.py {directory}/tables.json\n" for tree in switch_mibs.SUBTREES)
        (directory / "snmpd.conf").write_text(
            f"agentaddress udp:{switch['address']}:{switch['snmp'].get('udp_port', 161)}\n"
            f"rocommunity {community} {ipaddress.ip_network(switch['address'] + f'/{NETWORK_BITS}', strict=False)}\n"
            f"sysname {name}\nsysdescr a demo switch\n{speeds}{served}")
        (directory / "snmpd.conf").chmod(0o600)
        self.start(f"snmpd/{name}", name, "env", f"SNMP_PERSISTENT_DIR={directory}", "MIBS=", "snmpd", "-f", "-Lf",
                   directory / "snmpd.log", "-C", "-c", directory / "snmpd.conf", "-p", directory / "snmpd.pid", "-I",
                   "-smux,mteTrigger,mteTriggerConf")

    def start_far_end(self, volumes):
        far_end = self.design.get("far_end")
        if not far_end:
            return
        settings = self.state.directory / "far-end.json"
        settings.write_text(json.dumps({"far_end": {"address": far_end["address"], "tcp_port": far_end["tcp_port"],
                                                    "key_secret": far_end["secret"], "volumes": volumes}}))
        self.start("far-end", "recorder", self.bin / "tallywired", "--settings", settings, "--secrets",
                   self.state.directory / "secrets.json")
        # From out here: inside a namespace /sys is another one.
        for group in self.state.data["cgroups"]:
            (pathlib.Path(group) / "cgroup.procs").write_text(str(self.state.data["processes"]["far-end"][0]))

    def make_lossy(self):
        target = self.faults.get("lossy")
        if not target:
            return
        camera_id, head_id, stream_id = target.split("/")
        camera = next(c for c in self.design["cameras"] if c["id"] == camera_id)
        index = [(h["id"], s["id"]) for h in camera["heads"] for s in h["streams"]].index((head_id, stream_id))
        switch, port = self.port_of[camera_id]
        base = 6000 + 10 * index  # as the simulator numbers its server ports
        rules = (f"add table netdev demo; add chain netdev demo in {{ type filter hook ingress device {port} priority 0; }}; "
                 f"add rule netdev demo in udp sport {base}-{base + 9} numgen inc mod {LOSS_EVERY} == 0 drop")
        self.inside(switch, "nft", rules)

    def start_camera(self, camera):
        full = self.state.data["namespaces"][camera["id"]]
        run("ip", "-n", full, "link", "set", "dev", "eth0", "up")
        self.start(f"camera/{camera['id']}", camera["id"], self.bin / "camera_simulator", self.state.directory / f"camera-{camera['id']}.json")

    def raise_stranger(self):
        switch = self.faults.get("stranger")
        if not switch:
            return
        port = self.free_port(switch)
        self.raise_host("stranger", switch, port, "198.51.100.99", "02:00:5e:10:00:99")
        file = self.state.directory / "camera-stranger.json"
        file.write_text(json.dumps({"address": "198.51.100.99", "speech": "closed"}))

    def up(self):
        self.state.data.update({"prefix": self.prefix, "bin": str(self.bin), "interface": "eth0", "faults": self.faults,
                                "design": str(self.arguments.design)})
        self.state.save()
        self.make_secrets()
        self.make_clips()
        self.raise_switches()
        self.raise_uplinks()
        recorder = self.design["recorders"][0]
        self.raise_host("recorder", recorder["switch"], recorder["port"], recorder["address"], "02:00:5e:10:00:10")
        self.raise_host("technician", self.design["entry_switch"], "tech", TECHNICIAN, "02:00:5e:10:00:20")
        for camera in self.design["cameras"]:
            if self.faults.get("wrong_port") != camera["id"]:
                self.raise_camera(camera)
        for camera in self.design["cameras"]:  # the wrong port is one that nobody else has
            if self.faults.get("wrong_port") == camera["id"]:
                self.raise_camera(camera)
        self.raise_stranger()
        self.make_lossy()
        volumes = self.raise_volumes()
        for switch in self.design["switches"]:
            self.start_switch(switch)
        self.start_far_end(volumes)
        self.state.data["ready"] = True
        self.state.save()

    def power_up(self):
        """Units come up late and one by one."""
        time.sleep(self.arguments.first_after)
        if "stranger" in self.faults:
            self.start("camera/stranger", "stranger", self.bin / "camera_simulator", self.state.directory / "camera-stranger.json")
        for camera in self.design["cameras"]:
            if self.faults.get("never_up") == camera["id"]:
                continue
            self.start_camera(camera)
            time.sleep(self.arguments.every)


def started_at(pid):
    """Start time of a process in clock ticks: with the id it names a process for good."""
    try:
        text = pathlib.Path(f"/proc/{pid}/stat").read_text()
    except OSError:
        return None
    return int(text.rsplit(")", 1)[1].split()[19])


def end_process(pid, begun):
    if begun is None or started_at(pid) != begun:
        return
    for how, patience in ((signal.SIGTERM, 3.0), (signal.SIGKILL, 2.0)):
        try:
            os.killpg(pid, how)
        except (ProcessLookupError, PermissionError):
            return
        until = time.monotonic() + patience
        while time.monotonic() < until:
            try:
                os.waitpid(pid, os.WNOHANG)
            except ChildProcessError:
                pass
            if started_at(pid) != begun or pathlib.Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] == "Z":
                return
            time.sleep(0.02)


def down(directory):
    state = State(directory)
    if not state.file.exists():
        return
    data = state.data
    # All are told first, then each is waited for: ending one after the other would take long.
    for pid, begun in data["processes"].values():
        if begun is not None and started_at(pid) == begun:
            try:
                os.killpg(pid, signal.SIGTERM)
            except ProcessLookupError:
                pass
    for pid, begun in data["processes"].values():
        end_process(pid, begun)
    for name in data["namespaces"].values():
        # What a daemon left behind in a namespace of ours ends with it.
        for pid in run("ip", "netns", "pids", name, check=False).stdout.split():
            try:
                os.kill(int(pid), signal.SIGKILL)
            except ProcessLookupError:
                pass
    for mount in reversed(data["mounts"]):
        run("umount", mount, check=False)
    for loop in data["loops"]:
        run("losetup", "-d", loop, check=False)
    for group in data["cgroups"]:
        for _ in range(50):
            if not os.path.isdir(group):
                break
            try:
                os.rmdir(group)
            except OSError:
                time.sleep(0.05)
    for name in data["namespaces"].values():
        run("ip", "netns", "del", name, check=False)
    shutil.rmtree(directory, ignore_errors=True)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(dest="command", required=True)
    up = commands.add_parser("up")
    up.add_argument("--state", required=True)
    up.add_argument("--bin", required=True)
    up.add_argument("--design", default=str(ROOT / "config/sites/tram-depot.json"))
    up.add_argument("--faults", default="shipped")
    up.add_argument("--prefix")
    up.add_argument("--first-after", type=float, default=1.0)
    up.add_argument("--every", type=float, default=0.3)
    up.add_argument("--cache", default=str(ROOT / ".cache/clips"))
    up.add_argument("--no-power", action="store_true", help="raise all but the cameras; `power all on` brings them up")
    for name in ("down", "status"):
        commands.add_parser(name).add_argument("--state", required=True)
    for name in ("cut", "mend"):
        one = commands.add_parser(name)
        one.add_argument("camera")
        one.add_argument("--state", required=True)
    power = commands.add_parser("power")
    power.add_argument("camera", help="a camera, or “all”")
    power.add_argument("how", choices=("on", "off"))
    power.add_argument("--state", required=True)
    power.add_argument("--first-after", type=float, default=0.0)
    power.add_argument("--every", type=float, default=0.3)
    commands.add_parser("faults")
    arguments = parser.parse_args()

    if arguments.command == "faults":
        for name, (target, done, found) in (FAULTS | MORE_FAULTS).items():
            print(f"{name:12}  {target:22} {done}; a round finds {found}")
        return
    if arguments.command == "down":
        return down(arguments.state)
    state = State(arguments.state)
    if arguments.command == "status":
        return print(json.dumps(state.data, indent=1))
    if arguments.command == "up":
        if state.file.exists():
            sys.exit(f"a site is up already in {arguments.state}; take it down first")
        design = json.loads(pathlib.Path(arguments.design).read_text())
        site = Site(state, design, parse_faults(arguments.faults), arguments)
        try:
            site.up()
            if not arguments.no_power:
                site.power_up()
        except BaseException:
            down(arguments.state)
            raise
        return
    namespaces = state.data["namespaces"]
    if arguments.camera != "all" and arguments.camera not in state.data["cameras"]:
        sys.exit(f"there is no camera “{arguments.camera}”")
    if arguments.command in ("cut", "mend"):
        where = state.data["cameras"][arguments.camera]
        run("ip", "-n", namespaces[where["switch"]], "link", "set", "dev", where["port"], "down" if arguments.command == "cut" else "up")
        return
    design = json.loads(pathlib.Path(state.data["design"]).read_text())
    arguments.prefix, arguments.bin = state.data["prefix"], state.data["bin"]
    site = Site(state, design, state.data["faults"], arguments)
    if arguments.camera == "all":
        return site.power_up()
    camera = next(c for c in design["cameras"] if c["id"] == arguments.camera)
    if arguments.how == "on":
        return site.start_camera(camera)
    end_process(*state.data["processes"].pop(f"camera/{camera['id']}", [0, None]))
    run("ip", "-n", namespaces[camera["id"]], "link", "set", "dev", "eth0", "down")
    state.save()


if __name__ == "__main__":
    try:
        main()
    except KeyboardInterrupt:
        sys.exit(130)  # as a shell says it: ended by Ctrl-C
