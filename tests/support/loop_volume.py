"""A volume of a test's own: a file system on a loop device, which the kernel throttles on request."""

import contextlib
import os
import pathlib
import shutil
import tempfile

from namespaces import run, wait_until


class LoopVolume:
    """`with LoopVolume(320) as volume:` volume.mount, volume.loop, volume.written(): ext4, on a file of its own or on the one that is given."""

    def __init__(self, mib=320, image=None, direct=None, mkfs=("-E", "lazy_itable_init=0,lazy_journal_init=0")):
        self.undo = contextlib.ExitStack()
        try:
            folder = pathlib.Path(tempfile.mkdtemp(prefix="tallywire-volume-test-"))
            self.undo.callback(shutil.rmtree, folder)
            self.mount = folder / "mount"
            self.mount.mkdir()
            direct = image is None if direct is None else direct
            if image is None:
                image = folder / "volume.img"
                run("truncate", "-s", f"{mib}M", image)
            self.loop = run("losetup", "--find", "--show", *(["--direct-io=on"] if direct else []), image).stdout.strip()
            self.undo.callback(run, "losetup", "-d", self.loop)
            run("mkfs.ext4", "-q", "-m", "0", *mkfs, self.loop)
            self.attach()
            self.undo.callback(self.detach)
        except BaseException:
            self.undo.close()
            raise

    def attach(self):
        run("mount", self.loop, self.mount)

    def detach(self):
        if os.path.ismount(self.mount):
            run("umount", self.mount)

    def close(self):
        self.undo.close()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    def numbers(self):
        return pathlib.Path(f"/sys/block/{pathlib.Path(self.loop).name}/dev").read_text().strip()

    def written(self):
        """Octets that the kernel counts (Linux Documentation, block/stat: field 7, sectors of 512)."""
        return int(pathlib.Path(f"/sys/block/{pathlib.Path(self.loop).name}/stat").read_text().split()[6]) * 512


class Throttle:
    """A group whose processes may write so fast to a device and no faster. What a group left unused the kernel lets it have later."""

    made = 0

    def __init__(self, numbers, octets_per_s):
        self.numbers = numbers
        Throttle.made += 1
        for root, file, line in (("/sys/fs/cgroup/blkio", "blkio.throttle.write_bps_device", "{} {}\n"),
                                 ("/sys/fs/cgroup", "io.max", "{} wbps={}\n")):
            self.group = pathlib.Path(root) / f"twt{os.getpid()}-volume-{Throttle.made}"
            self.file, self.line = self.group / file, line
            if (pathlib.Path(root) / "cgroup.procs").exists():
                self.group.mkdir()
                if self.file.exists():
                    self.set(octets_per_s)
                    return
                self.group.rmdir()
        raise RuntimeError("neither cgroup v1 blkio nor cgroup v2 io throttles here")

    def set(self, octets_per_s):
        self.file.write_text(self.line.format(self.numbers, octets_per_s))

    def enter(self):
        (self.group / "cgroup.procs").write_text(str(os.getpid()))

    def remove(self):
        def gone():
            with contextlib.suppress(OSError):
                self.group.rmdir()
            return not self.group.exists()
        wait_until(gone, 5, f"{self.group} goes")
