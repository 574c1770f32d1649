"""A card that lies about its size, as a FUSE file: lying_card.py MOUNT CLAIMED_BYTES TRUE_BYTES wrap|lose.

wrap: an address beyond the true size goes to the address modulo the true size, as with address lines that are not there.
lose: what is written beyond the true size is gone, and zeros are read there."""

import errno
import stat
import sys

import fusepy

NAME = "/card.img"


class Card(fusepy.Operations):
    def __init__(self, claimed, true, way):
        self.claimed, self.true, self.way = claimed, true, way
        self.cells = bytearray(true)

    def getattr(self, path, fh=None):
        if path == "/":
            return {"st_mode": stat.S_IFDIR | 0o700, "st_nlink": 2}
        if path != NAME:
            raise fusepy.FuseOSError(errno.ENOENT)
        return {"st_mode": stat.S_IFREG | 0o600, "st_nlink": 1, "st_size": self.claimed, "st_blocks": self.claimed // 512}

    def readdir(self, path, fh):
        return [".", "..", NAME[1:]]

    def pieces(self, offset, size):
        """(octets from the begin of the request, address in the cells, size); the address is None where nothing is."""
        done = 0
        while done < size:
            at = offset + done
            inside = at < self.true or self.way == "wrap"
            here = at % self.true
            step = min(size - done, self.true - here)
            yield done, here if inside else None, step
            done += step

    def read(self, path, size, offset, fh):
        size = max(0, min(size, self.claimed - offset))
        return b"".join(bytes(self.cells[at:at + step]) if at is not None else bytes(step) for _, at, step in self.pieces(offset, size))

    def write(self, path, data, offset, fh):
        for done, at, step in self.pieces(offset, len(data)):
            if at is not None:
                self.cells[at:at + step] = data[done:done + step]
        return len(data)

    def truncate(self, path, length, fh=None):
        raise fusepy.FuseOSError(errno.EPERM)


if __name__ == "__main__":
    mount, claimed, true, way = sys.argv[1:]
    fusepy.FUSE(Card(int(claimed), int(true), way), mount, foreground=True, nothreads=True, big_writes=True, direct_io=True)
