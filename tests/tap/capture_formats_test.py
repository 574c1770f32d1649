"""Capture files as the tools of others write them, frame for frame as tshark reads them: editcap in every form of pcap
and pcapng that it writes, mergecap, tcpdump, text2pcap; packed by gzip and zstd; from a file, a pipe and standard input.

Run: capture_formats_test.py BIN"""

import hashlib
import os
import pathlib
import random
import struct
import subprocess
import sys
import tempfile
import unittest

BIN = pathlib.Path(sys.argv.pop()).resolve() if len(sys.argv) > 1 else None
# Link layers as our reader numbers them (probes/wire/datagram.hpp), by number of the registry (tcpdump.org/linktypes).
LINKS = {1: 1, 113: 2, 276: 3, 101: 4, 0: 5}


def run(*command, **more):
    return subprocess.run([str(c) for c in command], check=True, capture_output=True, timeout=60, **more).stdout


def frames_by_us(path, **more):
    """[(ns, captured, original, link layer, md5)] and {what: text} of the lines behind them."""
    frames, rest = [], {}
    for line in run(BIN / "capture_frames", path, **more).decode().splitlines():
        word, _, text = line.partition(" ")
        if word.isdigit():
            ns, captured, original, link, md5 = text.split()
            frames.append((int(ns), int(captured), int(original), int(link), md5))
        else:
            rest[word] = text
    return frames, rest


def frames_by_tshark(path):
    """[(ns, captured, original, md5)]"""
    out = []
    fields = ("frame.time_epoch", "frame.cap_len", "frame.len", "frame.md5_hash")
    for line in run("tshark", "-r", path, "-o", "frame.generate_md5_hash:TRUE", "-T", "fields",
                    *(a for f in fields for a in ("-e", f))).decode().splitlines():
        epoch, captured, original, md5 = line.split("\t")
        seconds, _, part = epoch.partition(".")
        out.append((int(seconds) * 10**9 + int(part.ljust(9, "0")), int(captured), int(original), md5))
    return out


def udp_frame(number, payload):
    """Ethernet, IPv4, UDP from 192.0.2.1 to 192.0.2.2, sums left out."""
    udp = struct.pack("!HHHH", 5000 + number % 7, 5004, 8 + len(payload), 0) + payload
    ip = struct.pack("!BBHHHBBH4s4s", 0x45, 0, 20 + len(udp), number & 0xffff, 0, 64, 17, 0, bytes((192, 0, 2, 1)),
                     bytes((192, 0, 2, 2)))
    return bytes.fromhex("020000000002 020000000001 0800") + ip + udp


class Formats(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.holder = tempfile.TemporaryDirectory(prefix="tallywire-formats-")
        cls.folder = pathlib.Path(cls.holder.name)
        cls.base = cls.folder / "base"
        dice = random.Random(4)
        with open(cls.base, "wb") as out:
            out.write(struct.pack("<IHHiIII", 0xa1b23c4d, 2, 4, 0, 0, 262144, 1))
            now = 1_700_000_000_999_999_000
            for number in range(3000):
                now += dice.randrange(1, 2_000_000)
                whole = udp_frame(number, dice.randbytes(dice.choice((0, 1, 18, 160, 1372, 8000))))
                caught = whole[:dice.choice((len(whole), len(whole), 200))]
                out.write(struct.pack("<IIII", now // 10**9, now % 10**9, len(caught), len(whole)) + caught)

    @classmethod
    def tearDownClass(cls):
        cls.holder.cleanup()

    def check(self, path, frames=None, plain=None):
        """Ours against tshark's reading of `plain`, or of the same file."""
        ours, rest = frames_by_us(path)
        theirs = frames_by_tshark(plain or path)
        self.assertEqual([f[:3] + f[4:] for f in ours], theirs)
        if frames is not None:
            self.assertEqual(len(ours), frames)
        self.assertNotIn("damage", rest)
        return ours, rest

    def test_every_pcap_and_pcapng_that_editcap_writes(self):
        # Left out of what it calls pcap: the forms that only a guess tells from the usual one, as their magic number is
        # the same (rh6_1pcap, suse6_3pcap, nokiapcap); libpcap does not tell them apart either.
        for form, told in (("pcap", "pcap, microseconds"), ("nsecpcap", "pcap, nanoseconds"), ("pcapng", "pcapng"),
                           ("modpcap", "pcap, microseconds")):
            with self.subTest(form):
                path = self.folder / f"base.{form}"
                run("editcap", "-F", form, self.base, path)
                _, rest = self.check(path, 3000)
                self.assertEqual(rest["format"], told)
                for packer, suffix, name in (("gzip", "gz", "gzip"), ("zstd", "zst", "Zstandard")):
                    packed = pathlib.Path(f"{path}.{suffix}")
                    packed.write_bytes(run(packer, "-c", path))
                    _, rest = self.check(packed, 3000, plain=path)
                    self.assertEqual(rest["format"], f"{told}, {name}")

    def test_packed_in_pieces_and_at_every_effort(self):
        octets = self.base.read_bytes()
        third = len(octets) // 3
        pieces = [octets[:third], octets[third:2 * third], octets[2 * third:]]
        for packer in (("gzip", "-1", "-c"), ("gzip", "-9", "-c"), ("zstd", "-1", "-c"), ("zstd", "-19", "-c"),
                       ("zstd", "--no-check", "-c"), ("zstd", "--long=27", "-c")):
            with self.subTest(packer):
                path = self.folder / "pieces"
                path.write_bytes(b"".join(run(*packer, input=piece) for piece in pieces))
                self.check(path, 3000, plain=self.base)

    def test_a_window_beyond_128_mib_is_refused_with_the_way_out(self):
        path = self.folder / "long.zst"
        path.write_bytes(run("zstd", "--long=31", "-c", input=self.base.read_bytes()))
        done = subprocess.run([BIN / "capture_frames", path], capture_output=True, text=True, timeout=30)
        self.assertEqual(done.returncode, 2)
        self.assertIn("zstd -d --long=31", done.stderr)

    def test_what_tcpdump_writes(self):
        user = ("-Z", "root") if os.geteuid() == 0 else ()
        for precision in ("micro", "nano"):
            path = self.folder / f"tcpdump.{precision}"
            run("tcpdump", *user, f"--time-stamp-precision={precision}", "-r", self.base, "-w", path)
            self.check(path, 3000)

    def test_link_layers_of_text2pcap_and_two_in_one_file_of_mergecap(self):
        text = "000000 " + " ".join(f"{octet:02x}" for octet in udp_frame(1, b"x" * 40)[14:]) + "\n"
        paths = []
        for number, layer in LINKS.items():
            paths.append(self.folder / f"link{number}")
            run("text2pcap", "-F", "pcapng", "-l", number, "-", paths[-1], input=text.encode())
            ours, _ = self.check(paths[-1], 1)
            self.assertEqual(ours[0][3], layer)
        merged = self.folder / "merged"
        run("mergecap", "-a", "-w", merged, *paths)
        ours, _ = self.check(merged, len(LINKS))
        self.assertEqual([f[3] for f in ours], list(LINKS.values()))
        usb = self.folder / "usb"
        run("text2pcap", "-F", "pcap", "-l", 189, "-", usb, input=text.encode())
        ours, rest = frames_by_us(usb)
        self.assertEqual((ours[0][3], rest["unknown"]), (0, "189"))

    def test_sections_one_after_another(self):
        first, second, both = (self.folder / name for name in ("first", "second", "both"))
        run("editcap", "-F", "pcapng", "-r", self.base, first, "1-10")
        run("editcap", "-F", "pcapng", "-r", self.base, second, "20-25")
        both.write_bytes(first.read_bytes() + second.read_bytes())
        self.check(both, 16)

    def test_frames_cut_short_and_comments(self):
        short = self.folder / "short"
        run("editcap", "-F", "pcapng", "-s", 70, "-a", "5:a remark", "-a", "7:another", self.base, short)
        self.check(short, 3000)

    def test_frame_check_sequences_as_tshark_sees_them(self):
        frame = udp_frame(1, b"x" * 40)
        path = self.folder / "fcs"
        # An option list with if_fcslen 4 (octets, the example of the draft); tshark then takes four octets for the FCS.
        options = struct.pack("<HHB3xHH", 13, 1, 4, 0, 0)
        def block(kind, body):
            body += bytes(-len(body) % 4)
            return struct.pack("<II", kind, 12 + len(body)) + body + struct.pack("<I", 12 + len(body))
        packet = struct.pack("<IIIII", 0, 0, 1000, len(frame) + 4, len(frame) + 4) + frame + b"\1\2\3\4"
        path.write_bytes(block(0x0a0d0d0a, struct.pack("<IHHq", 0x1a2b3c4d, 1, 0, -1)) +
                         block(1, struct.pack("<HHI", 1, 0, 0) + options) + block(6, packet))
        self.assertEqual(run("tshark", "-r", path, "-T", "fields", "-e", "eth.fcs").decode().strip(), "0x01020304")
        ours, _ = frames_by_us(path)
        self.assertEqual(ours[0][1:3], (len(frame), len(frame)))
        self.assertEqual(ours[0][4], hashlib.md5(frame).hexdigest())

    def test_standard_input_as_a_pipe_and_as_a_file(self):
        theirs = frames_by_tshark(self.base)
        packed = run("gzip", "-c", self.base)
        for source in ({"input": self.base.read_bytes()}, {"input": packed}, {"stdin": open(self.base, "rb")}):
            ours, rest = frames_by_us("-", **source)
            self.assertEqual([f[:3] + f[4:] for f in ours], theirs)
            self.assertNotIn("damage", rest)
            if "stdin" in source:
                source["stdin"].close()

    def test_what_unpacks_to_far_more_than_memory_should_hold(self):
        # A block of a kind that nobody knows, nearly as long as a file may tell: a gigabyte of nothing.
        size = 1 << 30
        head = struct.pack("<IIIHHqI", 0x0a0d0d0a, 28, 0x1a2b3c4d, 1, 0, -1, 28) + struct.pack("<II", 0x0bad, size)
        path = self.folder / "bomb.zst"
        with open(path, "wb") as out:
            packer = subprocess.Popen(["zstd", "-1", "-c"], stdin=subprocess.PIPE, stdout=out)
            packer.stdin.write(head)
            for _ in range(size >> 20):
                packer.stdin.write(bytes(1 << 20))
            packer.stdin.close()
            self.assertEqual(packer.wait(60), 0)
        reader = subprocess.Popen([BIN / "capture_frames", "--count", path], stdout=subprocess.PIPE, text=True)
        said = reader.stdout.read()
        reader.stdout.close()
        _, status, usage = os.wait4(reader.pid, 0)
        reader.returncode = os.waitstatus_to_exitcode(status)
        self.assertEqual(reader.returncode, 0)
        self.assertIn("0 frames", said)
        self.assertLess(usage.ru_maxrss, 128 * 1024)  # KiB; the sanitizers' own included

    def test_a_capture_that_was_killed(self):
        path = self.folder / "killed"
        path.write_bytes(self.base.read_bytes()[:-1])
        ours, rest = frames_by_us(path)
        self.assertEqual(len(ours), 2999)
        self.assertIn("cut off in the middle of a frame", rest["damage"])
        self.assertIn("after 2999 frames", rest["damage"])


if __name__ == "__main__":
    unittest.main(verbosity=2)
