"""What the tests against gst-rtsp-server share: known files, the server in a namespace, what it counted, and
`tallywire stream` in another."""

import json
import os
import pathlib
import re
import signal
import subprocess
import tempfile

from namespaces import Namespaces, run, wait_until

HERE = pathlib.Path(__file__).resolve().parent
SERVER, CLIENT, PORT, TLS_PORT = "192.0.2.10", "192.0.2.20", 8554, 8322
USER, PASSWORD = "tram", "four rails"
GROUPS = "233.252.0."  # MCAST-TEST-NET (RFC 6676)
CODERS = {
    "h264": "-c:v libx264 -x264-params keyint={gop}:min-keyint={gop}:scenecut=0:bframes=0:threads=1",
    "h265": "-c:v libx265 -x265-params keyint={gop}:min-keyint={gop}:scenecut=0:bframes=0:open-gop=0:log-level=none",
    "jpeg": "-c:v mjpeg -q:v 5 -pix_fmt yuvj420p",
}


def make_file(folder, name, codec, size, fps, gop, seconds=20, options=()):
    """One picture after another, no B pictures, key pictures exactly each `gop`."""
    file = folder / f"{name}.{codec}.mkv"
    run("ffmpeg", "-hide_banner", "-loglevel", "error", "-f", "lavfi", "-i", f"testsrc2=size={size}:rate={fps}", "-frames:v",
        fps * seconds, "-pix_fmt", "yuv420p", *CODERS[codec].format(gop=gop).split(), *options, file)
    return file


def ffprobe(file):
    """What another decoder finds in the file."""
    text = run("ffprobe", "-v", "error", "-select_streams", "v", "-show_streams", "-of", "json", file).stdout
    return json.loads(text)["streams"][0]


def make_certificate(folder):
    key, certificate, both = (folder / n for n in ("key.pem", "certificate.pem", "both.pem"))
    run("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=unit", "-addext",
        f"subjectAltName=IP:{SERVER}", "-keyout", key, "-out", certificate)
    both.write_text(key.read_text() + certificate.read_text())
    return both


class GstPeer:
    """The server in namespace `server`, everything else about it by `mounts` (see gst_server.py)."""

    def __init__(self, ns, folder, bin_folder):
        self.ns, self.folder, self.bin = ns, folder, pathlib.Path(bin_folder)
        self.counts_file = folder / "counts.json"
        self.secrets = folder / "secrets.json"
        self.secrets.touch(mode=0o600)
        self.secrets.write_text(json.dumps({"right": {"user": USER, "password": PASSWORD},
                                            "wrong": {"user": USER, "password": "five rails"}}))

    def start(self, mounts, **more):
        """Its log tells each request with its version."""
        settings = self.folder / "server.json"
        settings.write_text(json.dumps({"address": SERVER, "port": PORT, "counts": str(self.counts_file), "mounts": mounts,
                                        **more}))
        with open(self.folder / "server.log", "w") as log:
            self.process = self.ns.start("server", "/usr/bin/python3", HERE / "gst_server.py", settings, stdout=log,
                                         stderr=subprocess.STDOUT, env={**os.environ, "GST_DEBUG": "rtspclient:4"})
        wait_until(lambda: "ready" in (self.folder / "server.log").read_text(), 30, "gst-rtsp-server")

    def counts(self):
        self.counts_file.unlink(missing_ok=True)
        os.kill(self.process.pid, signal.SIGUSR1)
        wait_until(self.counts_file.exists, 20, "the server's counts")
        return json.loads(self.counts_file.read_text())

    def stream(self, url, *options, codes=(0,)):
        done = self.ns.run("client", "timeout", "90", self.bin / "tallywire", "stream", url, "--alone", "--json",
                           "--secrets", self.secrets, *options, check=False)
        if done.returncode not in codes:
            raise AssertionError(f"exit {done.returncode}: {done.stdout}{done.stderr}")
        return json.loads(done.stdout)


class Truth:
    """What the payloader of the session with this SSRC made, by whole GOPs."""

    def __init__(self, counts, answer):
        self.frames = next(row["frames"] for row in counts if row["ssrc"] == answer["ssrc"])
        self.keys = [i for i, frame in enumerate(self.frames) if frame[4]]
        self.gops = int(re.search(r"(\d+) whole GOPs", answer["method"]).group(1))
        self.packets = sum(frame[2] for frame in self.frames)
        self.gop_frames = {b - a for a, b in zip(self.keys, self.keys[1:])}

    def payload_bps(self, most_later=0):
        """Over as many GOPs as the answer covers, from the first key picture on; and from the next ones, for who joined
        a stream that ran already."""
        rates = []
        ranges = list(zip(self.keys, self.keys[self.gops:]))
        for first, end in ranges[:most_later + 1]:
            seconds = ((self.frames[end][0] - self.frames[first][0]) & 0xffffffff) / 90000  # 90 kHz: RFC 3551
            rates.append(sum(frame[3] for frame in self.frames[first:end]) * 8 / seconds)
        return rates


def network(test_class):
    """Two namespaces and a cable, until the class is through."""
    ns = Namespaces("server", "client").__enter__()
    test_class.addClassCleanup(ns.__exit__)
    ns.cable("server", "client", address_a=f"{SERVER}/24", address_b=f"{CLIENT}/24")
    for where in ("server", "client"):
        run("ip", "-n", ns.name(where), "route", "add", "224.0.0.0/4", "dev", "eth0")
    return ns


def scratch(test_class):
    folder = tempfile.TemporaryDirectory(prefix="tallywire-gst-")
    test_class.addClassCleanup(folder.cleanup)
    return pathlib.Path(folder.name)
