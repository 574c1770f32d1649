"""tallywire volume on a loop device of this test's own, throttled by the kernel.

The truth is the kernel's: blkio.throttle.write_bps_device of cgroup v1 (Linux Documentation, blkio-controller: octets per
second to one device), or io.max of cgroup v2 (cgroup-v2: wbps), and field 7 of /sys/block/DEVICE/stat (Documentation,
block/stat: sectors of 512 octets written)."""

import contextlib
import datetime
import fcntl
import hashlib
import json
import os
import pathlib
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import unittest

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "support"))
from loop_volume import LoopVolume, Throttle  # noqa: E402
from namespaces import run, wait_until  # noqa: E402

BIN = pathlib.Path(sys.argv.pop())
RATE = 10_000_000
LEFTOVER = ".tallywire-volume-"


class Volume(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.volume = LoopVolume(320)
        cls.mount = cls.volume.mount
        cls.undo = contextlib.ExitStack()
        cls.undo.callback(cls.volume.close)
        try:
            cls.throttle = Throttle(cls.volume.numbers(), RATE)
            cls.undo.callback(cls.throttle.remove)
        except BaseException:
            cls.undo.close()
            raise

    @classmethod
    def tearDownClass(cls):
        cls.undo.close()

    def setUp(self):
        self.recording = self.mount / "recording.mkv"
        self.recording.write_bytes(os.urandom(300_000))
        self.before = self.standing()
        self.addCleanup(self.recording.unlink)

    def standing(self):
        """Every name on the volume, with what its file holds."""
        out = {}
        for path in sorted(self.mount.rglob("*")):
            out[str(path.relative_to(self.mount))] = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else path.is_dir()
        return out

    def start(self, path, seconds, *options, throttled=False):
        throttle = self.throttle if throttled is True else throttled
        process = subprocess.Popen([str(BIN / "tallywire"), "volume", str(path), "--seconds", str(seconds), "--json", "--alone", *map(str, options)],
                                   stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                                   preexec_fn=throttle.enter if throttle else None)
        self.addCleanup(self.end, process)
        return process

    @staticmethod
    def end(process):
        if process.poll() is None:
            process.kill()
        process.communicate(timeout=10)

    def answer(self, process, code):
        out, err = process.communicate(timeout=30)
        self.assertEqual(process.returncode, code, out + err)
        return json.loads(out)

    def fails(self, path, code, kind, words):
        answer = self.answer(self.start(path, 1), code)
        self.assertEqual(answer["error"]["kind"], kind)
        self.assertIn(words, answer["error"]["what"])
        self.assertTrue(answer["error"]["try_next"])

    def writes(self):
        """Waits until a measurement has a file with something in it; its directory."""
        return wait_until(lambda: next((f.parent for f in self.mount.glob(f"{LEFTOVER}*/*") if f.stat().st_size), None), 10, "a first write")

    def fill(self):
        filler = self.mount / "filler"
        self.addCleanup(filler.unlink)
        with open(filler, "wb") as file:
            step = 64 << 20
            while step >= 4096:
                try:
                    os.posix_fallocate(file.fileno(), os.fstat(file.fileno()).st_size, step)
                except OSError:
                    step //= 2

    def test_the_rate_is_the_throttle_and_the_kernel_counts_the_same(self):
        throttle = Throttle(self.volume.numbers(), RATE)
        self.addCleanup(throttle.remove)
        os.sync()
        before = self.volume.written()
        answer = self.answer(self.start(self.mount, 8, throttled=throttle), 0)
        kernel = self.volume.written() - before
        self.assertAlmostEqual(answer["sustained_write_bytes_per_s"] / RATE, 1, delta=0.03)
        self.assertAlmostEqual(answer["written_bytes"] / kernel, 1, delta=0.02)
        self.assertAlmostEqual(answer["kernel_write_bytes_per_s"] / answer["sustained_write_bytes_per_s"], 1, delta=0.02)
        self.assertAlmostEqual(answer["written_bytes"] / answer["duration_s"] / answer["sustained_write_bytes_per_s"], 1, delta=0.001)
        self.assertLessEqual(answer["slowest_second_bytes_per_s"], answer["sustained_write_bytes_per_s"] * 1.001)
        self.assertGreater(answer["slowest_second_bytes_per_s"], 0.5 * RATE)
        self.assertEqual(answer["writes"], answer["written_bytes"] / answer["chunk_bytes"])
        self.assertIsNone(answer["knee_at_bytes"])
        self.assertIn("at most 1 write at a time", answer["method"])
        self.assertEqual((answer["filesystem"], answer["device"]["kind"]), ("ext4", "loop"))
        room = os.statvfs(self.mount)
        self.assertEqual(answer["capacity_bytes"], room.f_blocks * room.f_frsize)
        self.assertEqual(self.standing(), self.before)

    def test_a_pause_is_found_with_its_length_and_its_time(self):
        process = self.start(self.mount, 4)
        self.writes()
        time.sleep(1)
        wall, before = time.time(), time.monotonic()
        run("fsfreeze", "--freeze", self.mount)
        try:
            frozen = time.monotonic()
            time.sleep(1.2)
        finally:
            thawing = time.monotonic()
            run("fsfreeze", "--unfreeze", self.mount)
        thawed = time.monotonic()
        answer = self.answer(process, 0)
        self.assertGreater(answer["longest_pause_ms"], (thawing - frozen) * 1e3 - 200)  # threads wake late on a loaded machine
        self.assertLess(answer["longest_pause_ms"], (thawed - before) * 1e3 + 500)
        end = datetime.datetime.fromisoformat(answer["when"].replace("Z", "+00:00")).timestamp()
        self.assertAlmostEqual(end - answer["duration_s"] + answer["longest_pause_at_s"], wall, delta=0.7)
        self.assertLess(answer["slowest_second_bytes_per_s"], 0.5 * answer["sustained_write_bytes_per_s"])
        self.assertIsNone(answer["knee_at_bytes"])  # a pause is no slow stretch

    def test_a_knee_is_found_at_its_place(self):
        """The throttle is lowered in the middle: from then on the device is as slow as flash whose fast cells are full."""
        throttle = Throttle(self.volume.numbers(), 40_000_000)
        self.addCleanup(throttle.remove)
        os.sync()
        before = self.volume.written()
        process = self.start(self.mount, 7, throttled=throttle)
        wait_until(lambda: self.volume.written() - before > 100_000_000, 10, "100 MB are written")
        throttle.set(10_000_000)
        place = self.volume.written() - before
        answer = self.answer(process, 0)
        self.assertAlmostEqual(answer["knee_at_bytes"] / place, 1, delta=0.05)
        self.assertAlmostEqual(answer["before_knee_bytes_per_s"] / 40e6, 1, delta=0.10)
        self.assertAlmostEqual(answer["after_knee_bytes_per_s"] / 10e6, 1, delta=0.10)
        self.assertEqual(answer["sustained_write_bytes_per_s"], answer["after_knee_bytes_per_s"])
        self.assertTrue(any("fell for good" in note for note in answer["notes"]))

    def test_streams_that_come_faster_than_the_volume_leave_a_backlog(self):
        answer = self.answer(self.start(self.mount, 4, "--paced", "--files", 8, "--target-mbps", 160, throttled=True), 1)
        self.assertEqual(answer["target"]["verdict"], "missed")
        self.assertEqual(answer["arriving_bytes_per_s"], 20_000_000)
        self.assertAlmostEqual(answer["backlog_end_bytes"] / (4 * (20_000_000 - RATE)), 1, delta=0.2)  # what comes less what goes
        self.assertGreaterEqual(answer["backlog_most_bytes"], answer["backlog_end_bytes"])
        self.assertGreater(answer["latest_write_s"], 1)

    def test_streams_that_the_volume_takes_leave_none_and_are_read_back(self):
        answer = self.answer(self.start(self.mount, 4, "--paced", "--files", 40, "--chunk-kib", 64, "--target-mbps", 40, "--playback", 4, throttled=True), 0)
        self.assertEqual(answer["target"]["verdict"], "met")
        self.assertAlmostEqual(answer["sustained_write_bytes_per_s"] / 5_000_000, 1, delta=0.06)
        self.assertLess(answer["backlog_end_bytes"], 5_000_000 / 4)
        self.assertEqual(answer["playback_wanted_bytes_per_s"], 500_000)
        self.assertAlmostEqual(answer["playback_bytes_per_s"] / 500_000, 1, delta=0.2)

    def test_a_design_says_how_many_streams_come_and_how_fast_and_what_class_a_card_has(self):
        design = json.loads((HERE.parent.parent / "config" / "sites" / "tram-depot.json").read_text())
        volume = design["recorders"][0]["volumes"][0]
        volume.update(path=str(self.mount), on_far_end=False)
        rates = {f"{c['id']}/{h['id']}/{s['id']}": s["bit_rate_kbps"] for c in design["cameras"] for h in c["heads"] for s in h["streams"]}
        card = next(c for c in design["cameras"] if c.get("cards"))
        with tempfile.NamedTemporaryFile("w", suffix=".json") as file:
            file.write(json.dumps(design))
            file.flush()
            answer = self.answer(self.start(self.mount, 1, "--design", file.name, "--card", card["id"]), 0)
        self.assertEqual(answer["files"], len(volume["streams"]))
        self.assertEqual(answer["target"]["from"], "design")
        self.assertAlmostEqual(answer["target"]["write_bytes_per_s"], sum(rates[name] for name in volume["streams"]) * 1000 / 8)
        self.assertEqual(answer["target"]["verdict"], "met")
        self.assertEqual((answer["speed_class"]["class"], answer["speed_class"]["from"]), (card["cards"][0]["speed_class"], "design"))

    def test_a_slow_stream_that_is_written_as_it_comes_keeps_up(self):
        """8 Mbit/s bring a chunk of 1 MiB in 1.05 s; the throttle takes a tenth of a second for it, and meanwhile it waits whole."""
        answer = self.answer(self.start(self.mount, 3, "--paced", "--target-mbps", 8, "--files", 1, throttled=True), 0)
        self.assertEqual(answer["target"]["verdict"], "met", answer)
        self.assertGreater(answer["writes"], 0)

    def test_many_files_buffered_and_direct_leave_nothing(self):
        for io in ("buffered", "direct"):
            answer = self.answer(self.start(self.mount, 2, "--files", 200, "--chunk-kib", 256, "--io", io), 0)
            self.assertIn(io, answer["method"])
            self.assertLess(abs(answer["kernel_ratio"] - 1), 0.05)  # the tables of 200 files are written too
            self.assertGreater(answer["commits"], 0 if io == "direct" else 199)
        self.assertEqual(self.standing(), self.before)

    def test_a_volume_that_is_pulled_out_tells_what_was_read(self):
        """ext4's going down (FS_IOC_SHUTDOWN, linux/fs.h of xfs, f2fs and ext4): every write fails from then on, as on a card that is gone."""
        with LoopVolume(160) as other:
            before = other.written()
            process = self.start(other.mount, 20)
            wait_until(lambda: other.written() - before > 40_000_000, 10, "40 MB are written")
            folder = os.open(other.mount, os.O_RDONLY)
            try:
                fcntl.ioctl(folder, 0x8004587D, (2).to_bytes(4, "little"))
            finally:
                os.close(folder)
            answer = self.answer(process, 3)
            self.assertIn("the volume failed", answer["error"]["what"])
            self.assertIn("kernel's log", answer["error"]["try_next"])
            self.assertGreater(answer["written_bytes"], 20_000_000)
            self.assertTrue(any("could not be removed" in note for note in answer["notes"]), answer["notes"])
            other.detach()
            other.attach()
            self.answer(self.start(other.mount, 1), 0)
            self.assertEqual([path.name for path in other.mount.iterdir()], ["lost+found"])

    def test_a_full_file_system_is_told_and_left_alone(self):
        self.fill()
        before = self.standing()
        self.fails(self.mount, 3, "system", "the volume")
        self.assertEqual(self.standing(), before)

    def test_a_file_system_that_runs_full_meanwhile_is_told(self):
        process = self.start(self.mount, 20, throttled=True)
        self.writes()
        self.fill()
        answer = self.answer(process, 3)
        self.assertEqual(answer["error"]["kind"], "system")
        self.assertIn("ran full", answer["error"]["what"])
        self.assertEqual([n for n in self.standing() if LEFTOVER in n], [])

    def test_a_read_only_mount_is_told(self):
        run("mount", "-o", "remount,ro", self.mount)
        try:
            self.fails(self.mount, 3, "system", "read-only")
        finally:
            run("mount", "-o", "remount,rw", self.mount)
        self.assertEqual(self.standing(), self.before)

    def test_a_path_that_is_not_there_and_one_that_is_no_directory(self):
        self.fails(self.mount / "nowhere", 2, "bad_request", "no such directory")
        self.fails(self.recording, 2, "bad_request", "no directory")
        self.assertEqual(self.standing(), self.before)

    def test_what_a_killed_measurement_left_goes_at_the_next_start_and_nothing_else(self):
        killed = self.start(self.mount, 20)
        left = self.writes()
        killed.send_signal(signal.SIGKILL)
        killed.wait(10)
        self.assertTrue(any(left.iterdir()))
        foreign = self.mount / f"{LEFTOVER}notes"
        foreign.mkdir()
        self.addCleanup(shutil.rmtree, foreign, ignore_errors=True)
        (foreign / "0").write_text("somebody's")
        before = {name: what for name, what in self.standing().items() if left.name not in name}
        running = self.start(self.mount, 6, throttled=True)
        wait_until(lambda: not left.exists(), 10, "the leftover goes")
        own = self.writes()
        self.answer(self.start(self.mount, 1), 0)  # a second one beside it takes nothing from the first
        self.assertTrue(own.exists())
        self.answer(running, 0)
        self.assertEqual(self.standing(), before)

    def test_a_stopped_measurement_leaves_nothing(self):
        process = self.start(self.mount, 20, throttled=True)
        self.writes()
        time.sleep(2)  # so that one second at least was written in full
        process.terminate()
        self.assertLess(self.answer(process, 0)["duration_s"], 10)
        self.assertEqual(self.standing(), self.before)


if __name__ == "__main__":
    unittest.main(verbosity=2)
