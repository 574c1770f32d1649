"""tallywire volume on a loop device of this test's own, throttled by the kernel.

The truth is the kernel's: blkio.throttle.write_bps_device of cgroup v1 (Linux Documentation, blkio-controller: octets per
second to one device), or io.max of cgroup v2 (cgroup-v2: wbps), and field 7 of /sys/block/DEVICE/stat (Documentation,
block/stat: sectors of 512 octets written)."""

import contextlib
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
from namespaces import run, wait_until  # noqa: E402

BIN = pathlib.Path(sys.argv.pop())
RATE = 8_000_000
LEFTOVER = ".tallywire-volume-"


class Throttle:
    """A group whose processes may write so fast to this device and no faster."""

    def __init__(self, device):
        numbers = pathlib.Path(f"/sys/block/{device}/dev").read_text().strip()
        for root, file, line in (("/sys/fs/cgroup/blkio", "blkio.throttle.write_bps_device", f"{numbers} {RATE}\n"),
                                 ("/sys/fs/cgroup", "io.max", f"{numbers} wbps={RATE}\n")):
            self.group = pathlib.Path(root) / f"twt{os.getpid()}-volume"
            if (pathlib.Path(root) / "cgroup.procs").exists():
                self.group.mkdir()
                if (self.group / file).exists():
                    (self.group / file).write_text(line)
                    return
                self.group.rmdir()
        raise RuntimeError("neither cgroup v1 blkio nor cgroup v2 io throttles here")

    def enter(self):
        (self.group / "cgroup.procs").write_text(str(os.getpid()))

    def remove(self):
        def gone():
            with contextlib.suppress(OSError):
                self.group.rmdir()
            return not self.group.exists()
        wait_until(gone, 5, f"{self.group} goes")


class Volume(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.undo = contextlib.ExitStack()
        try:
            folder = pathlib.Path(tempfile.mkdtemp(prefix="tallywire-volume-test-"))
            cls.undo.callback(shutil.rmtree, folder)
            image, cls.mount = folder / "volume.img", folder / "mount"
            cls.mount.mkdir()
            run("truncate", "-s", "320M", image)
            run("mkfs.ext4", "-q", "-m", "0", "-E", "lazy_itable_init=0,lazy_journal_init=0", image)
            cls.loop = run("losetup", "--find", "--show", "--direct-io=on", image).stdout.strip()
            cls.undo.callback(run, "losetup", "-d", cls.loop)
            run("mount", cls.loop, cls.mount)
            cls.undo.callback(run, "umount", cls.mount)
            cls.throttle = Throttle(pathlib.Path(cls.loop).name)
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

    def sectors(self):
        return int(pathlib.Path(f"/sys/block/{pathlib.Path(self.loop).name}/stat").read_text().split()[6])

    def start(self, path, seconds, throttled=False):
        process = subprocess.Popen([str(BIN / "tallywire"), "volume", str(path), "--seconds", str(seconds), "--json", "--alone"],
                                   stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                                   preexec_fn=self.throttle.enter if throttled else None)
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
        os.sync()
        before = self.sectors()
        answer = self.answer(self.start(self.mount, 8, throttled=True), 0)
        kernel = (self.sectors() - before) * 512
        self.assertAlmostEqual(answer["sustained_write_bytes_per_s"] / RATE, 1, delta=0.05)
        self.assertAlmostEqual(answer["written_bytes"] / kernel, 1, delta=0.10)
        self.assertAlmostEqual(answer["kernel_write_bytes_per_s"] / (kernel / answer["duration_s"]), 1, delta=0.10)
        self.assertAlmostEqual(answer["written_bytes"] / answer["duration_s"] / answer["sustained_write_bytes_per_s"], 1, delta=0.001)
        self.assertLessEqual(answer["slowest_second_bytes_per_s"], answer["sustained_write_bytes_per_s"] * 1.001)
        self.assertGreater(answer["slowest_second_bytes_per_s"], 0.7 * RATE)
        self.assertEqual(answer["filesystem"], "ext4")
        room = os.statvfs(self.mount)
        self.assertEqual(answer["capacity_bytes"], room.f_blocks * room.f_frsize)
        self.assertEqual(self.standing(), self.before)

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
