"""tallywire stream against gst-rtsp-server, which nobody here wrote: TCP and UDP, H.264 and H.265, Digest login.

The truth is what ffprobe counts in the file that is served: the sizes of the coded pictures of the same whole GOPs. RTP
adds fragment headers (2 or 3 octets in 1400) and repeated parameter sets, and takes away the container's four octets of
length before each NAL unit: together well under the 1 % that is asked for."""

import json
import pathlib
import re
import sys
import tempfile
import time
import unittest

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "support"))
from namespaces import Namespaces, run, wait_until  # noqa: E402

BIN = sys.argv.pop()
SERVER, CLIENT, PORT = "192.0.2.10", "192.0.2.20", "8554"
FILES = {"h264": (1280, 720, 25, 25, "3M"), "h265": (640, 360, 15, 30, "800k")}


def make(folder, codec):
    width, height, fps, gop, rate = FILES[codec]
    file = folder / f"known.{codec}.mkv"
    coder = (["libx264", "-x264-params", f"keyint={gop}:min-keyint={gop}:scenecut=0:bframes=0:threads=1"] if codec == "h264" else
             ["libx265", "-x265-params", f"keyint={gop}:min-keyint={gop}:scenecut=0:bframes=0:open-gop=0:log-level=none"])
    run("ffmpeg", "-hide_banner", "-loglevel", "error", "-f", "lavfi", "-i", f"testsrc2=size={width}x{height}:rate={fps}",
        "-frames:v", fps * 20, "-pix_fmt", "yuv420p", "-preset", "ultrafast", "-b:v", rate, "-c:v", *coder, file)
    return file


def truth_bps(file, fps, gop, gops):
    packets = json.loads(run("ffprobe", "-v", "error", "-show_packets", "-of", "json", file).stdout)["packets"]
    octets = sum(int(p["size"]) for p in packets[:gop * gops])
    return octets * 8 * fps / (gop * gops)


class Gst(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory(prefix="tallywire-gst-")
        folder = pathlib.Path(cls.folder.name)
        cls.files = {codec: make(folder, codec) for codec in FILES}
        cls.secrets = folder / "secrets.json"
        cls.secrets.touch(mode=0o600)
        cls.secrets.write_text(json.dumps({"right": {"user": "tram", "password": "four rails"},
                                           "wrong": {"user": "tram", "password": "five rails"}}))
        cls.ns = Namespaces("server", "client").__enter__()
        cls.ns.cable("server", "client", address_a=f"{SERVER}/24", address_b=f"{CLIENT}/24")
        log = open(folder / "server.log", "w+")
        cls.ns.start("server", "/usr/bin/python3", HERE / "gst_server.py", SERVER, PORT, "tram", "four rails",
                     *cls.files.values(), stdout=log)
        wait_until(lambda: "ready" in (folder / "server.log").read_text(), 20, "gst-rtsp-server")

    @classmethod
    def tearDownClass(cls):
        cls.ns.__exit__()
        cls.folder.cleanup()

    def stream(self, url, *options, code=0):
        done = self.ns.run("client", "timeout", "60", pathlib.Path(BIN, "tallywire"), "stream", url, "--alone", "--json",
                           "--secrets", self.secrets, *options, check=False)
        self.assertEqual(done.returncode, code, done.stdout + done.stderr)
        return json.loads(done.stdout)

    def check(self, number, codec, transport):
        width, height, fps, gop, _ = FILES[codec]
        answer = self.stream(f"rtsp://{SERVER}:{PORT}/{number}", "--login", "right", "--seconds", "10", "--transport", transport)
        self.assertEqual((answer["transport"], answer["codec"], answer["width"], answer["height"]),
                         (transport, codec.upper(), width, height))
        self.assertAlmostEqual(answer["frame_rate_hz"] / fps, 1, delta=0.005)
        self.assertEqual(answer["gop_frames"], gop)
        self.assertEqual((answer["lost_packets"], answer["duplicate_packets"], answer["reordered_packets"]), (0, 0, 0))
        gops = int(re.search(r"(\d+) whole GOPs", answer["method"]).group(1))
        self.assertGreaterEqual(gops, 3)
        self.assertAlmostEqual(answer["payload_bps"] / truth_bps(self.files[codec], fps, gop, gops), 1, delta=0.01)

    def test_h264_over_tcp(self):
        self.check(0, "h264", "tcp")

    def test_h264_over_udp(self):
        self.check(0, "h264", "udp")

    def test_h265_over_tcp(self):
        self.check(1, "h265", "tcp")

    def test_h265_over_udp(self):
        self.check(1, "h265", "udp")

    def test_a_wrong_password_is_unread_as_refused(self):
        answer = self.stream(f"rtsp://{SERVER}:{PORT}/0", "--login", "wrong", "--seconds", "5", code=3)
        self.assertEqual(answer["error"]["kind"], "refused")
        self.assertIn("login refused", answer["unread"]["payload_bps"])
        self.assertNotIn("five rails", json.dumps(answer))

    def test_a_path_that_is_not_there_and_a_port_nobody_listens_on(self):
        self.assertIn("404", self.stream(f"rtsp://{SERVER}:{PORT}/9", "--login", "right", code=3)["unread"]["codec"])
        self.assertEqual(self.stream(f"rtsp://{SERVER}:9/0", code=3)["error"]["kind"], "unreachable")

    def test_a_password_in_the_url_is_refused_as_a_wrong_request(self):
        answer = self.stream(f"rtsp://tram:secret@{SERVER}:{PORT}/0", code=2)
        self.assertNotIn("secret@", json.dumps(answer))

    def test_a_unit_that_accepts_and_says_nothing_ends_within_its_limit(self):
        silent = self.ns.start("server", "/usr/bin/python3", "-c",
                               f"import socket,time; s=socket.create_server(('{SERVER}', 9554)); time.sleep(40)")
        time.sleep(1)
        begun = time.monotonic()
        answer = self.stream(f"rtsp://{SERVER}:9554/0", "--transport", "tcp", code=3)
        self.assertEqual(answer["error"]["kind"], "timed_out")
        self.assertLess(time.monotonic() - begun, 15)
        self.ns.end(silent)


if __name__ == "__main__":
    unittest.main(verbosity=2)
