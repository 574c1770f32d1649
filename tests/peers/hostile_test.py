"""tallywire against an RTSP server that lies, floods, trickles and hangs up (hostile_server.py). Whatever it does: the
stream is unread with a reason, within the time that the command states, in bounded memory; and a stream of an honest
server that the same service meters meanwhile loses nothing.

The limits are the command's own: 5 s for each answer and for the first packet, 15 s for all that comes before the first
packet (probes/stream/rtsp_session.hpp)."""

import json
import os
import pathlib
import subprocess
import sys
import tempfile
import threading
import time
import unittest
from concurrent.futures import ThreadPoolExecutor

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "support"))
from namespaces import Namespaces, wait_until  # noqa: E402

BIN = sys.argv.pop()
# AddressSanitizer keeps 256 MiB of what was freed, so that a later use of it is found: here memory itself is weighed.
os.environ["ASAN_OPTIONS"] = ":".join(filter(None, [os.environ.get("ASAN_OPTIONS"), "quarantine_size_mb=4"]))
SERVER, CLIENT, PORT, HONEST_PORT = "192.0.2.10", "192.0.2.20", 8554, 9554
DESIGN = HERE.parents[1] / "config" / "sites" / "tram-depot.json"
ANSWER_LIMIT_S = 5
CONVERSATION_LIMIT_S = 15
# Beside the limit: the start of the program and the farewell, on a machine that does other work too.
MARGIN_S = 4
ROOM_KIB = 64 * 1024
# Most of the time is waiting for limits: that many commands wait side by side.
SIDE_BY_SIDE = 4


def one_check(test):
    test.is_one_check = True
    return test


class Hostile(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory(prefix="tallywire-hostile-")
        folder = pathlib.Path(cls.folder.name)
        cls.secrets = folder / "secrets.json"
        cls.secrets.touch(mode=0o600)
        # Beside the one for the hostile server, those that the sample design names.
        cls.secrets.write_text(json.dumps({
            "depot": {"user": "tram", "password": "four rails"}, "cameras": {"user": "depot", "password": "not-a-real-one"},
            "switches": {"community": "tram"}, "far-end": {"key": "0" * 32}, "board": {"key": "0" * 32}}))
        cls.ns = Namespaces("server", "client").__enter__()
        try:
            cls.ns.cable("server", "client", address_a=f"{SERVER}/24", address_b=f"{CLIENT}/24")
            for port in (PORT, HONEST_PORT):  # two processes: a flood must not slow the honest one
                with open(folder / f"{port}.log", "w") as log:
                    cls.ns.start("server", "/usr/bin/python3", HERE / "hostile_server.py", SERVER, port, stdout=log)
                wait_until(lambda: "ready" in (folder / f"{port}.log").read_text(), 20, "the server")
            cls.quiet_kib = cls.alone("honest", port=HONEST_PORT, codes=(0, 3))[1]
            cls.begin_all()
        except BaseException:
            cls.tearDownClass()
            raise

    @classmethod
    def begin_all(cls):
        """Starts what the tests that are but one check will ask for: each test then waits for its own answer."""
        cls.pool, cls.begun, cls.planning = ThreadPoolExecutor(SIDE_BY_SIDE), {}, True
        for name in unittest.defaultTestLoader.getTestCaseNames(cls):
            if getattr(getattr(cls, name), "is_one_check", False):
                getattr(cls(name), name)()
        cls.planning = False

    @classmethod
    def tearDownClass(cls):
        if hasattr(cls, "pool"):
            cls.pool.shutdown(cancel_futures=True)
        cls.ns.__exit__()
        cls.folder.cleanup()

    @classmethod
    def command(cls, name, *options, port=PORT, seconds=3):
        return ["ip", "netns", "exec", cls.ns.name("client"), f"{BIN}/tallywire", "stream", f"rtsp://{SERVER}:{port}/{name}",
                "--seconds", str(seconds), "--json", *map(str, options)]

    @classmethod
    def alone(cls, name, *options, transport="tcp", port=PORT, codes=(3,), limit_s=60):
        """The answer, the process's greatest size in KiB, and how long it took."""
        command = cls.command(name, "--alone", "--secrets", cls.secrets, "--transport", transport, *options, port=port)
        with tempfile.TemporaryFile("w+") as out:
            begun = time.monotonic()
            process = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL)
            watch = threading.Timer(limit_s, process.kill)
            watch.start()
            _, status, usage = os.wait4(process.pid, 0)
            watch.cancel()
            took = time.monotonic() - begun
            process.returncode = os.waitstatus_to_exitcode(status)
            out.seek(0)
            text = out.read()
        assert process.returncode in codes, f"{name}: exit {process.returncode} after {took:.1f} s: {text[-800:]}"
        return json.loads(text[text.index("{"):]), usage.ru_maxrss, took

    def check(self, name, kind, *options, within_s=ANSWER_LIMIT_S, transport="tcp"):
        if self.planning:
            self.begun[name] = self.pool.submit(self.alone, name, *options, transport=transport)
            return
        answer, kib, took = self.begun[name].result() if name in self.begun else self.alone(name, *options, transport=transport)
        kinds = {kind} if isinstance(kind, str) else kind
        self.assertIn(answer["error"]["kind"], kinds, answer["error"])
        self.assertTrue(answer["unread"]["payload_bps"].strip())
        self.assertIsNone(answer["payload_bps"])
        self.assertNotIn("four rails", json.dumps(answer))
        self.assertLess(took, within_s + MARGIN_S)
        self.assertLess(kib - self.quiet_kib, ROOM_KIB)

    @one_check
    def test_headers_without_end(self):
        self.check("endless_header", "malformed")

    @one_check
    def test_a_line_without_end(self):
        self.check("endless_line", "malformed")

    @one_check
    def test_empty_lines_without_end(self):
        self.check("endless_empty_lines", "malformed")

    @one_check
    def test_another_protocol(self):
        self.check("no_rtsp", "malformed")

    @one_check
    def test_a_content_length_that_is_too_long(self):
        self.check("length_too_long", "timed_out")

    @one_check
    def test_a_content_length_that_is_too_short(self):
        self.check("length_too_short", {"malformed", "unsupported"})

    @one_check
    def test_a_content_length_that_is_negative(self):
        self.check("length_negative", "malformed")

    @one_check
    def test_a_content_length_beyond_every_number(self):
        self.check("length_overflow", "malformed")

    @one_check
    def test_a_body_of_100_mb(self):
        self.check("body_of_100_mb", "malformed")

    @one_check
    def test_an_answer_of_one_octet_a_second(self):
        self.check("trickle", "timed_out")

    @one_check
    def test_a_frame_of_one_octet_a_second(self):
        self.check("trickled_frame", "timed_out")

    @one_check
    def test_a_frame_that_claims_more_than_comes(self):
        self.check("frame_overrun", {"malformed", "timed_out"})

    @one_check
    def test_frames_without_end_on_unknown_channels(self):
        self.check("unknown_channels", "timed_out")

    @one_check
    def test_frames_of_no_rtp(self):
        self.check("frames_of_no_rtp", {"malformed", "timed_out"})

    @one_check
    def test_a_port_outside_the_range(self):
        self.check("port_out_of_range", "malformed", transport="udp")

    @one_check
    def test_a_channel_outside_the_range(self):
        self.check("channel_out_of_range", "malformed")

    @one_check
    def test_thousands_of_tracks(self):
        self.check("thousands_of_tracks", "malformed")

    @one_check
    def test_a_description_of_a_megabyte(self):
        self.check("description_without_end", "malformed")

    @one_check
    def test_a_redirect_to_itself(self):
        self.check("redirect_to_itself", "refused")

    @one_check
    def test_every_nonce_is_stale(self):
        self.check("always_stale", "refused", "--login", "depot")

    @one_check
    def test_requests_without_end(self):
        self.check("requests_without_end", {"timed_out", "malformed", "unreachable"}, within_s=CONVERSATION_LIMIT_S)

    @one_check
    def test_answers_to_nothing_without_end(self):
        self.check("answers_to_nothing", {"timed_out", "malformed"}, within_s=CONVERSATION_LIMIT_S)

    @one_check
    def test_answers_that_each_come_just_in_time(self):
        self.check("slow_answers", "timed_out", within_s=CONVERSATION_LIMIT_S)

    @one_check
    def test_a_server_that_hangs_up_at_every_step(self):
        for step in ("at_once", "after_options", "after_describe", "after_setup", "after_play", "in_a_header", "in_a_body",
                     "in_a_frame"):
            with self.subTest(step):
                self.check(f"hang_up_{step}", {"unreachable", "timed_out"})

    def test_one_service_meters_an_honest_stream_among_hostile_ones(self):
        folder = pathlib.Path(self.folder.name)
        unix = folder / "tallywired.sock"
        with open(folder / "service.log", "w") as log:
            service = self.ns.start("client", f"{BIN}/tallywired", "--secrets", self.secrets, "--design", DESIGN, "--interface", "lo",
                                    "--record", folder / "record", "--socket", unix, "--loopback-port", "0", stderr=log, stdout=log)
        wait_until(unix.exists, 20, "the service")
        size = lambda field: next(int(line.split()[1]) for line in pathlib.Path(f"/proc/{service.pid}/status").read_text().splitlines()
                                  if line.startswith(field + ":"))
        ask = lambda name, port, seconds: subprocess.Popen(self.command(name, "--socket", unix, "--transport", "tcp", port=port, seconds=seconds),
                                                           stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        before = size("VmRSS")
        honest = ask("honest", HONEST_PORT, 10)
        hostile = {name: ask(name, PORT, 3) for name in
                   ("endless_header", "body_of_100_mb", "unknown_channels", "frames_of_no_rtp", "requests_without_end", "trickle")}
        for name, process in hostile.items():
            text = process.communicate(timeout=60)[0]
            self.assertEqual(process.returncode, 3, name + text[-500:])
        text = honest.communicate(timeout=60)[0]
        self.assertIn(honest.returncode, (0, 3), text[-500:])  # 3: it sends no RTCP, and what that would tell is unread
        answer = json.loads(text[text.index("{"):])
        self.assertEqual((answer["lost_packets"], answer["duplicate_packets"], answer["reordered_packets"]), (0, 0, 0))
        self.assertAlmostEqual(answer["frame_rate_hz"] / 25, 1, delta=0.005)
        self.assertGreater(answer["duration_s"], 9)
        self.assertIsNone(service.poll(), (folder / "service.log").read_text()[-500:])
        self.assertLess(size("VmHWM") - before, ROOM_KIB)
        self.ns.end(service)

    def test_control_characters_reach_no_terminal(self):
        done = self.ns.run("client", "timeout", "30", f"{BIN}/tallywire", "stream", f"rtsp://{SERVER}:{PORT}/control_characters",
                           "--seconds", "2", "--transport", "tcp", "--alone", check=False)
        self.assertNotIn("\x1b", done.stdout + done.stderr)


if __name__ == "__main__":
    unittest.main(verbosity=2)
