"""Where the tests of delay run, and what they run there:

near -- [mid: stamp_mangler.py] -- far     and     near -- far by a cable of its own"""

import contextlib
import json
import pathlib
import signal
import subprocess
import sys
import tempfile
import time
import unittest

HERE = pathlib.Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "support")]
from namespaces import Namespaces, wait_until  # noqa: E402
import stamp_truth  # noqa: E402

BIN = pathlib.Path(sys.argv.pop())
PORT, PLAIN_PORT = 7861, 862
FAR, NEAR, SPOILT_FAR, SPOILT_NEAR, NEAR_TOO = "192.0.2.10", "192.0.2.20", "198.51.100.10", "198.51.100.20", "192.0.2.21"
FAR6, NEAR6 = "2001:db8::10", "2001:db8::20"
KEY, OTHER_KEY = "0123456789abcdef" * 2, "fedcba9876543210" * 2


class DelaySite(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.opened = tempfile.TemporaryDirectory(prefix="tallywire-delay-")
        cls.folder = pathlib.Path(cls.opened.name)
        cls.secrets = cls.folder / "secrets.json"
        cls.secrets.touch(mode=0o600)
        cls.secrets.write_text(json.dumps({"right": {"key": KEY}, "wrong": {"key": OTHER_KEY}}))
        settings = cls.folder / "settings.json"
        settings.write_text(json.dumps({"far_end": {"address": "::", "tcp_port": PORT, "key_secret": "right", "volumes": {}}}))
        cls.ns = Namespaces("far", "near", "mid").__enter__()
        try:
            cls.ns.cable("far", "near", address_a=f"{FAR}/24", address_b=f"{NEAR}/24")
            cls.ns.run("near", "ip", "address", "add", f"{NEAR_TOO}/24", "dev", "eth0")
            for where, address in (("far", FAR6), ("near", NEAR6)):
                cls.ns.run(where, "ip", "address", "add", f"{address}/64", "dev", "eth0", "nodad")
            cls.ns.cable("far", "mid", "eth1", "to_far", address_a=f"{SPOILT_FAR}/24")
            cls.ns.cable("near", "mid", "eth1", "to_near", address_a=f"{SPOILT_NEAR}/24")
            for where, device in (("far", "eth1"), ("near", "eth1"), ("far", "eth0"), ("near", "eth0")):
                # The kernel leaves sums to the card; a raw socket would carry them on unreckoned.
                cls.ns.run(where, "ethtool", "-K", device, "tx", "off", "gro", "off", "tso", "off", "gso", "off")
            cls.ns.start("far", BIN / "tallywired", "--settings", settings, "--secrets", cls.secrets)
            wait_until(lambda: f":{PORT}" in cls.ns.run("far", "ss", "-Hltn").stdout, 20, "the far end")
        except BaseException:
            cls.tearDownClass()
            raise

    @classmethod
    def tearDownClass(cls):
        cls.ns.__exit__()
        cls.opened.cleanup()

    # --- What is run.

    def probe(self, address, **asked):
        """measure_delay alone, started; its process."""
        process = subprocess.Popen(["ip", "netns", "exec", self.ns.name("near"), str(BIN / "delay_probe")], stdin=subprocess.PIPE,
                                   stdout=subprocess.PIPE, text=True, start_new_session=True)
        self.addCleanup(self.ns.end, process)
        process.stdin.write(json.dumps({"address": address, "tcp_port": PORT, "key": KEY, **asked}))
        process.stdin.close()
        process.stdin = None
        return process

    def result(self, process):
        out, _ = process.communicate(timeout=30)
        lines = [json.loads(line) for line in out.splitlines()]
        self.assertIn("report", lines[-1], lines[-1])
        return lines[-1]["report"], [line["tick"] for line in lines[:-1]]

    def path(self, host, *options, code=0):
        done = self.ns.run("near", BIN / "tallywire", "path", host, "--secrets", self.secrets, "--json", "--alone", *options, check=False, timeout=40)
        self.assertEqual(done.returncode, code, done.stdout + done.stderr)
        return json.loads(done.stdout) if done.stdout else done.stderr

    @contextlib.contextmanager
    def captured(self, **devices):
        """tcpdump at each end, the capture's file by the end's name."""
        files, running = {}, []
        for where, device in devices.items():
            files[where] = self.folder / f"{self._testMethodName}-{where}.pcap"
            running.append(self.ns.start(where, "tcpdump", "-Z", "root", "-i", device, "-B", "4096", "--immediate-mode", "-U",
                                         "--time-stamp-precision=nano", "-w", files[where], stderr=subprocess.PIPE, text=True))
            for line in running[-1].stderr:
                if "listening on" in line:
                    break
        yield files
        time.sleep(0.2)
        for process in running:
            self.ns.end(process, signal.SIGINT)
            process.stderr.close()

    def helper(self, where, script, *arguments):
        process = self.ns.start(where, "/usr/bin/python3", HERE / script, *arguments, stdout=subprocess.PIPE, text=True)
        self.assertEqual(process.stdout.readline().strip(), "ready")
        return process

    def told_by(self, process):
        self.ns.end(process)
        with process.stdout as told:
            return json.loads(told.read())

    def session_port(self, files):
        """Of the far end's socket in a capture: the UDP destination of what the near end sends."""
        done = subprocess.run(["tshark", "-n", "-r", str(files["near"]), "-Y", "udp", "-T", "fields", "-e", "udp.dstport", "-e", "ip.src"],
                              capture_output=True, text=True, timeout=30)
        return next(int(line.split()[0]) for line in done.stdout.splitlines() if line.split()[1] in (NEAR, SPOILT_NEAR))

    def both_ends(self, files, near):
        """Packets at four points: out of and into the near end, into and out of the far end."""
        port = self.session_port(files)
        at = {where: stamp_truth.read(file, port) for where, file in files.items()}
        return ([p for p in at["near"] if p.source == near], [p for p in at["far"] if p.source == near],
                [p for p in at["far"] if p.source != near], [p for p in at["near"] if p.source != near])
