"""tallywire volume --true-capacity on cards of this test's own: honest ones, and ones that lie about their size.

The truth is the card itself: a FUSE file that holds so many octets and no more (tests/support/lying_card.py), with a file system made by
e2fsprogs on a loop device over it. Speed classes: SD Association (V30: 30 MB/s, C2: 2 MB/s)."""

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
SUPPORT = HERE.parent / "support"
sys.path.insert(0, str(SUPPORT))
from loop_volume import LoopVolume, Throttle  # noqa: E402
from namespaces import run, wait_until  # noqa: E402

BIN = pathlib.Path(sys.argv.pop())
FOLDER = ".tallywire-capacity"
MIB = 1 << 20
CLAIMED, TRUE = 96 * MIB, 48 * MIB
# Tables at the begin and blocks as large as ours, as a card's maker formats it; no journal, as on FAT.
CARD_MKFS = ("-b", "4096", "-O", "^has_journal", "-E", "packed_meta_blocks=1,lazy_itable_init=0", "-N", "64")


class Lying:
    """A card that claims CLAIMED octets and has TRUE."""

    def __init__(self, way):
        self.folder = pathlib.Path(tempfile.mkdtemp(prefix="tallywire-lying-card-"))
        self.process = subprocess.Popen(["/usr/bin/python3", str(SUPPORT / "lying_card.py"), str(self.folder), str(CLAIMED), str(TRUE), way])
        self.volume = None

    def __enter__(self):
        try:
            wait_until(lambda: os.path.ismount(self.folder), 10, "the card is there")
            self.volume = LoopVolume(image=self.folder / "card.img", mkfs=CARD_MKFS)
        except BaseException:
            self.__exit__()
            raise
        return self.volume

    def __exit__(self, *_):
        if self.volume:
            self.volume.close()

        def unmounted():
            return not os.path.ismount(self.folder) or run("umount", self.folder, check=False).returncode == 0
        try:
            wait_until(unmounted, 10, "the loop device lets the card go")
            self.process.wait(5)
        finally:
            if self.process.poll() is None:
                self.process.kill()
                self.process.wait(5)
            shutil.rmtree(self.folder)


class Card(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.honest = LoopVolume(160)

    @classmethod
    def tearDownClass(cls):
        cls.honest.close()

    def start(self, path, *options, throttle=None):
        process = subprocess.Popen([str(BIN / "tallywire"), "volume", str(path), "--json", "--alone", *map(str, options)], stdin=subprocess.DEVNULL,
                                   stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, preexec_fn=throttle.enter if throttle else None)
        self.addCleanup(self.end, process)
        return process

    @staticmethod
    def end(process):
        if process.poll() is None:
            process.kill()
        process.communicate(timeout=10)

    def answer(self, process, code):
        out, err = process.communicate(timeout=60)
        self.assertEqual(process.returncode, code, out + err)
        return json.loads(out)

    def names(self, volume):
        return sorted(path.name for path in volume.mount.iterdir())

    def test_a_card_that_wraps_is_caught(self):
        with Lying("wrap") as card:
            answer = self.answer(self.start(card.mount, "--true-capacity", "--yes"), 1)
            self.assertEqual(answer["state"], "complete")
            self.assertEqual(answer["true_capacity_bytes"], TRUE)
            # What stands in the first bad place was written one true size further.
            bad = answer["first_bad"]
            self.assertEqual(bad["what"], "another block stands there")
            self.assertEqual(bad["found_device_bytes"] - bad["device_bytes"], TRUE)
            self.assertLess(bad["device_bytes"], CLAIMED - TRUE)
            # All that was filled beyond the true size stands where something else was, but for what hit the file system's own tables.
            self.assertAlmostEqual(answer["wrapped_bytes"] / (CLAIMED - TRUE), 1, delta=0.05)
            self.assertAlmostEqual(answer["filled_bytes"] / CLAIMED, 1, delta=0.05)

    def test_a_card_that_loses_what_is_beyond_its_size_is_caught(self):
        with Lying("lose") as card:
            answer = self.answer(self.start(card.mount, "--true-capacity", "--yes"), 1)
            self.assertEqual(answer["true_capacity_bytes"], TRUE)
            self.assertEqual(answer["first_bad"]["what"], "zeros stand there")
            self.assertEqual(answer["first_bad"]["device_bytes"], TRUE)
            self.assertEqual(answer["lost_bytes"], answer["bad_bytes"])
            self.assertAlmostEqual(answer["lost_bytes"] / (CLAIMED - TRUE), 1, delta=0.05)

    def test_an_honest_card_is_filled_to_what_the_file_system_keeps_back_and_left_as_it_was(self):
        keepsake = self.honest.mount / "recording.mkv"
        keepsake.write_bytes(b"somebody's" * 1000)
        self.addCleanup(keepsake.unlink)
        before, room = self.names(self.honest), os.statvfs(self.honest.mount)
        answer = self.answer(self.start(self.honest.mount, "--true-capacity", "--yes"), 0)
        self.assertEqual((answer["state"], answer["bad_bytes"], answer["first_bad"], answer["true_capacity_bytes"]), ("complete", 0, None, None))
        self.assertEqual(answer["checked_bytes"], answer["filled_bytes"])
        self.assertAlmostEqual(answer["filled_bytes"] / (room.f_bavail * room.f_frsize), 1, delta=0.01)
        self.assertEqual(self.names(self.honest), before)
        self.assertEqual(keepsake.read_bytes(), b"somebody's" * 1000)
        self.assertEqual(os.statvfs(self.honest.mount).f_bavail, room.f_bavail)

    def test_a_killed_run_goes_on_and_ends_as_if_nothing_was(self):
        throttle = Throttle(self.honest.numbers(), 25_000_000)
        self.addCleanup(throttle.remove)
        before = self.names(self.honest)
        most = ("--true-capacity", "--yes", "--most-gb", 0.12)
        killed = self.start(self.honest.mount, *most, throttle=throttle)
        file = self.honest.mount / FOLDER / "0"
        wait_until(lambda: file.exists() and file.stat().st_size > 65_000_000, 20, "65 MB are filled")
        self.assertEqual((file.parent / "key").stat().st_mode & 0o777, 0o600)
        killed.send_signal(signal.SIGKILL)
        killed.wait(10)
        self.assertIn(FOLDER, self.names(self.honest))
        # A plain measurement beside it leaves it alone.
        self.answer(self.start(self.honest.mount, "--seconds", 1, "--files", 1), 0)
        stopped = self.start(self.honest.mount, *most, throttle=throttle)
        wait_until(lambda: file.stat().st_size > 75_000_000, 20, "it goes on")
        time.sleep(0.2)
        stopped.terminate()
        half = self.answer(stopped, 3)
        self.assertEqual(half["state"], "stopped while filling")
        self.assertGreater(half["resumed_at_bytes"], 20_000_000)
        self.assertLess(half["filled_bytes"], 120_000_000)
        self.assertIn("goes on", half["unread"]["true_capacity_bytes"])
        whole = self.answer(self.start(self.honest.mount, *most), 0)
        self.assertEqual(whole["resumed_at_bytes"], half["filled_bytes"])
        self.assertEqual((whole["state"], whole["bad_bytes"]), ("complete", 0))
        self.assertEqual(whole["checked_bytes"], 120_000_000 // 4096 * 4096)
        self.assertEqual(self.names(self.honest), before)

    def test_nothing_is_filled_without_a_yes_and_an_unfinished_run_can_be_abandoned(self):
        before = self.names(self.honest)
        refused = self.start(self.honest.mount, "--true-capacity")
        _, err = refused.communicate(timeout=10)
        self.assertEqual(refused.returncode, 2)
        self.assertIn("A recorder that writes there would stop", err)
        self.assertEqual(self.names(self.honest), before)
        killed = self.start(self.honest.mount, "--true-capacity", "--yes")
        wait_until(lambda: (self.honest.mount / FOLDER / "0").exists(), 10, "it fills")
        killed.kill()
        killed.wait(10)
        self.assertEqual(self.answer(self.start(self.honest.mount, "--true-capacity", "--abandon"), 0)["abandoned"], True)
        self.assertEqual(self.names(self.honest), before)
        self.assertEqual(self.answer(self.start(self.honest.mount, "--true-capacity", "--abandon"), 0)["abandoned"], False)

    def test_a_run_that_nobody_went_on_with_for_a_week_goes_at_the_next_measurement(self):
        killed = self.start(self.honest.mount, "--true-capacity", "--yes")
        wait_until(lambda: (self.honest.mount / FOLDER / "0").exists(), 10, "it fills")
        killed.kill()
        killed.wait(10)
        old = time.time() - 7 * 86_400 - 60
        os.utime(self.honest.mount / FOLDER / "state", (old, old))
        self.answer(self.start(self.honest.mount, "--seconds", 1), 0)
        self.assertNotIn(FOLDER, self.names(self.honest))

    def test_a_card_is_held_against_its_class(self):
        throttle = Throttle(self.honest.numbers(), 6_000_000)
        self.addCleanup(throttle.remove)
        slow = self.answer(self.start(self.honest.mount, "--seconds", 3, "--speed-class", "V30", throttle=throttle), 1)
        self.assertEqual(slow["speed_class"]["verdict"], "missed")
        self.assertEqual(slow["speed_class"]["least_write_bytes_per_s"], 30_000_000)
        fast = self.answer(self.start(self.honest.mount, "--seconds", 2, "--speed-class", "C2", throttle=throttle), 0)
        self.assertEqual(fast["speed_class"]["verdict"], "met")
        wrong = self.answer(self.start(self.honest.mount, "--seconds", 1, "--speed-class", "V31"), 2)
        self.assertIn("no speed class", wrong["error"]["what"])


if __name__ == "__main__":
    unittest.main(verbosity=2)
