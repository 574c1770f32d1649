"""tallywire stream against gst-rtsp-server, which nobody here wrote: H.264, H.265 and Motion JPEG, each by every
transport, with Digest login. The truth: what ffprobe finds in the file (size, codec, profile), the file's own frame rate
and distance of key pictures, and the RTP payload octets that the server's payloader made for this very session."""

import concurrent.futures
import json
import pathlib
import re
import sys
import time
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "support"))
from gst_peer import (GROUPS, PASSWORD, PORT, SERVER, TLS_PORT, USER, GstPeer, Truth, ffprobe,  # noqa: E402
                      make_certificate, make_file, network, scratch)

BIN = sys.argv.pop()
# size, frames/s, pictures from key to key. 1080 lines need cropping: they are no multiple of 16.
FILES = {"h264": ("1920x1080", 25, 25, ("-preset", "veryfast", "-profile:v", "high", "-b:v", "4M")),
         "h265": ("1280x720", 15, 30, ("-preset", "ultrafast", "-b:v", "1500k")),
         "jpeg": ("640x480", 10, 1, ())}
NAMES = {"h264": "H264", "hevc": "H265", "mjpeg": "JPEG"}  # ffprobe's and RTP's (RFC 6184, RFC 7798, RFC 2435)
LEVEL_STEPS = {"h264": 10, "h265": 30}  # level_idc for each whole level: ITU-T H.264 and H.265, Annex A
TRANSPORTS = ("tcp", "udp", "multicast", "tls")

READ = (0, 3)  # 3: a field that this codec or so short a time does not have; the fields are looked at one by one
SOUND = """( filesrc location={file} ! matroskademux ! h264parse ! rtph264pay name=pay0 pt=96 mtu=1400
  audiotestsrc is-live=true wave=pink-noise ! audio/x-raw,rate=8000,channels=1 ! alawenc
    ! rtppcmapay name=pay1 pt=8 min-ptime=20000000 max-ptime=20000000
  audiotestsrc is-live=true wave=pink-noise ! audio/x-raw,rate=16000,channels=1 ! avenc_aac bitrate=32000
    ! rtpmp4gpay name=pay2 pt=97 )"""


def url_of(codec, transport):
    if transport == "tls":
        return f"rtsps://{SERVER}:{TLS_PORT}/{codec}"
    return f"rtsp://{SERVER}:{PORT}/{codec}" + ("-to-all" if transport == "multicast" else "")


class Gst(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        folder = scratch(cls)
        cls.files = {codec: make_file(folder, "known", codec, size, fps, gop, options=options)
                     for codec, (size, fps, gop, options) in FILES.items()}
        mounts = {f"/{codec}": {"file": str(file)} for codec, file in cls.files.items()}
        mounts |= {f"/{codec}-to-all": {"file": str(file), "multicast": [f"{GROUPS}{i + 1}", 5000 + 10 * i]}
                   for i, (codec, file) in enumerate(cls.files.items())}
        mounts["/sound"] = {"codec": "h264", "launch": SOUND.format(file=cls.files["h264"])}
        cls.ns = network(cls)
        cls.peer = GstPeer(cls.ns, folder, BIN)
        cls.peer.start(mounts, user=USER, password=PASSWORD,
                       tls={"port": TLS_PORT, "certificate": str(make_certificate(folder))})
        cls.answers = cls.read_all()
        cls.counts = cls.peer.counts()

    @classmethod
    def read_all(cls):
        """All at once: each is a process and a session of its own."""
        def read(case):
            codec, transport = case
            return cls.peer.stream(url_of(codec, transport), "--login", "right", "--seconds", "10", "--transport",
                                   "tcp" if transport == "tls" else transport, codes=READ)
        cases = [(codec, transport) for codec in FILES for transport in TRANSPORTS] + [("sound", "tcp"), ("sound", "udp")]
        with concurrent.futures.ThreadPoolExecutor(len(cases)) as pool:
            futures = {case: pool.submit(read, case) for case in cases}
        return {case: future.exception() or future.result() for case, future in futures.items()}

    def answer(self, codec, transport):
        answer = self.answers[codec, transport]
        if isinstance(answer, BaseException):
            raise answer
        return answer

    def check_picture(self, codec, transport):
        answer, known = self.answer(codec, transport), ffprobe(self.files[codec])
        self.assertEqual((answer["codec"], answer["width"], answer["height"], answer["profile"]),
                         (NAMES[known["codec_name"]], known["width"], known["height"], known["profile"]))
        if codec in LEVEL_STEPS:
            self.assertAlmostEqual(float(answer["level"]), known["level"] / LEVEL_STEPS[codec], places=6)

    def check_rates(self, codec, transport):
        answer, (_, fps, gop, _) = self.answer(codec, transport), FILES[codec]
        self.assertAlmostEqual(answer["frame_rate_hz"] / fps, 1, delta=0.002)
        self.assertAlmostEqual(answer["arrival_frame_rate_hz"] / fps, 1, delta=0.01)
        self.assertEqual((answer["gop_frames"], answer["gop_frames_min"], answer["gop_frames_max"]), (gop, gop, gop))
        self.assertEqual((answer["lost_packets"], answer["duplicate_packets"], answer["reordered_packets"]), (0, 0, 0))
        # Who joins a group joins it after PLAY: perhaps a GOP later. GOPs differ by per cents, so only one can fit.
        truth, joins_late = Truth(self.counts, answer), transport == "multicast"
        self.assertEqual(truth.gop_frames, {gop})
        self.assertGreaterEqual(truth.gops, 3)
        self.assertLessEqual(answer["packets"], truth.packets)
        off = min(abs(answer["payload_bps"] / bps - 1) for bps in truth.payload_bps(2 if joins_late else 0))
        self.assertLess(off, 0.0005 if joins_late else 0.005)

    def check_sound(self, transport):
        """Each packet of a sound track is counted, from the first on."""
        answer = self.answer("sound", transport)
        self.assertEqual((answer["codec"], answer["lost_packets"]), ("H264", 0))
        tracks = {track["codec"]: track for track in answer["tracks"]}
        self.assertEqual(set(tracks), {"PCMA", "MPEG4-GENERIC"})
        for track in tracks.values():
            frames = next(row["frames"] for row in self.counts if row["ssrc"] == track["ssrc"])[:track["packets"]]
            self.assertEqual((track["kind"], track["lost_packets"]), ("audio", 0))
            self.assertEqual(sum(frame[2] for frame in frames), track["packets"])
            self.assertEqual(sum(frame[3] for frame in frames), track["payload_bytes"])
        # RFC 3551 §4.5.14: 8000 samples a second of eight bits.
        self.assertAlmostEqual(tracks["PCMA"]["payload_bps"] / 64000, 1, delta=0.005)
        # 1024 samples an access unit at 16 kHz (ISO/IEC 14496-3, from memory).
        self.assertAlmostEqual(tracks["MPEG4-GENERIC"]["frame_rate_hz"] / 15.625, 1, delta=0.002)

    def test_sound_beside_a_picture_by_tcp(self):
        self.check_sound("tcp")

    def test_sound_beside_a_picture_by_udp(self):
        self.check_sound("udp")

    def test_rtsp_2_where_the_unit_speaks_it(self):
        folder = self.peer.folder / "second"
        folder.mkdir()
        second = GstPeer(self.ns, folder, BIN)
        second.start({"/0": {"file": str(self.files["h264"])}}, port=PORT + 2)
        answer = second.stream(f"rtsp://{SERVER}:{PORT + 2}/0", "--rtsp-version", "2.0", "--seconds", "4", "--transport", "tcp")
        self.assertEqual((answer["session"]["rtsp_version"], answer["lost_packets"]), ("2.0", 0))
        self.assertGreater(answer["packets"], 1000)
        asked = re.findall(r"received a request (\w+) \S+ (\S+)", (folder / "server.log").read_text())
        self.assertEqual({version for _, version in asked}, {"2.0"})
        self.assertLessEqual({"DESCRIBE", "SETUP", "PLAY", "TEARDOWN"}, {method for method, _ in asked})

    def test_a_wrong_password_is_unread_as_refused(self):
        answer = self.peer.stream(url_of("h264", "tcp"), "--login", "wrong", "--seconds", "5", codes=(3,))
        self.assertEqual(answer["error"]["kind"], "refused")
        self.assertIn("login refused", answer["unread"]["payload_bps"])
        self.assertNotIn("five rails", json.dumps(answer))

    def test_a_path_that_is_not_there_and_a_port_nobody_listens_on(self):
        gone = self.peer.stream(f"rtsp://{SERVER}:{PORT}/9", "--login", "right", codes=(3,))
        self.assertIn("404", gone["unread"]["codec"])
        self.assertEqual(self.peer.stream(f"rtsp://{SERVER}:9/0", codes=(3,))["error"]["kind"], "unreachable")

    def test_a_password_in_the_url_is_refused_as_a_wrong_request(self):
        answer = self.peer.stream(f"rtsp://tram:secret@{SERVER}:{PORT}/h264", codes=(2,))
        self.assertNotIn("secret@", json.dumps(answer))

    def test_a_unit_that_accepts_and_says_nothing_ends_within_its_limit(self):
        silent = self.ns.start("server", "/usr/bin/python3", "-c",
                               f"import socket,time; s=socket.create_server(('{SERVER}', 9554)); time.sleep(40)")
        time.sleep(1)
        begun = time.monotonic()
        answer = self.peer.stream(f"rtsp://{SERVER}:9554/0", "--transport", "tcp", codes=(3,))
        self.assertEqual(answer["error"]["kind"], "timed_out")
        self.assertLess(time.monotonic() - begun, 15)
        self.ns.end(silent)


def add_tests():
    for codec in FILES:
        for transport in TRANSPORTS:
            for check in ("picture", "rates"):
                def test(self, codec=codec, transport=transport, check=check):
                    getattr(self, f"check_{check}")(codec, transport)
                setattr(Gst, f"test_{codec}_by_{transport}_{check}", test)


add_tests()

if __name__ == "__main__":
    unittest.main(verbosity=2)
