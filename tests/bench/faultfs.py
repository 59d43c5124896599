"""One file that lies: a small file system for the faults that give no error.

    python -m tests.bench.faultfs BACKING FOLDER      FOLDER/disk then shows BACKING, with the faults of BACKING.faults

The faults are read anew whenever their file changes, so a test sets them while a copy runs. To add one: a field in
Faults (tests/bench/faults.py) and a line in read or write. Run as a program only: it loads libfuse, which a machine
without the bench lacks.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import sys
import threading
import time
from pathlib import Path
from typing import Any

import mfusepy

from tests.bench.faults import Faults


class Disk(mfusepy.Operations):  # type: ignore[misc]
    """A folder with the one file `disk`."""

    use_ns = True

    def __init__(self, backing: Path) -> None:
        self.rules = backing.with_suffix(".faults")
        self.file = os.open(backing, os.O_RDWR)
        self.seen = 0
        self.faults = Faults()
        self.lock = threading.Lock()
        self.free_at = 0.0  # when the slow reads begun so far are done

    def now(self) -> Faults:
        changed = self.rules.stat().st_mtime_ns if self.rules.exists() else 0
        if changed != self.seen:
            self.seen, self.faults = changed, Faults.load(self.rules)
            self.free_at = 0.0
        if self.faults.gone:
            raise mfusepy.FuseOSError(errno.ENODEV)
        return self.faults

    def wait(self, faults: Faults, offset: int, size: int) -> None:
        """Take the time of the slow bytes: one read after another, as a drive does, until the faults change.

        A kernel makes one read of a program into many requests, several at a time; together they take as long.
        """
        seconds = sum(
            whole * max(0, min(offset + size, start + length) - max(offset, start)) / length
            for start, length, whole in faults.slow
        )
        if seconds:
            with self.lock:
                self.free_at = until = max(self.free_at, time.monotonic()) + seconds
            while (left := until - time.monotonic()) > 0 and self.now() == faults:
                time.sleep(min(left, 0.05))

    def getattr(self, path: str, fh: int | None = None) -> dict[str, Any]:
        if path == "/":
            return {"st_mode": stat.S_IFDIR | 0o755, "st_nlink": 2}
        if path != "/disk":
            raise mfusepy.FuseOSError(errno.ENOENT)
        return {"st_mode": stat.S_IFREG | 0o600, "st_nlink": 1, "st_size": os.fstat(self.file).st_size}

    def readdir(self, path: str, fh: int) -> list[str]:
        return [".", "..", "disk"]

    def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
        faults = self.now()
        self.wait(faults, offset, size)
        if any(_touches(offset, size, *area) for area in faults.failing):
            raise mfusepy.FuseOSError(errno.EIO)
        data = bytearray(os.pread(self.file, size, offset))
        for at in faults.flipped:
            if offset <= at < offset + len(data):
                data[at - offset] ^= 0x10
        return bytes(data)

    def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
        faults = self.now()
        if faults.full is not None and offset + len(data) > faults.full:
            raise mfusepy.FuseOSError(errno.ENOSPC)
        kept = bytearray(data)
        for start, length in faults.lost:
            first, last = max(start, offset), min(start + length, offset + len(data))
            if first < last:
                kept[first - offset : last - offset] = os.pread(self.file, last - first, first)
        os.pwrite(self.file, kept, offset)
        return len(data)

    def truncate(self, path: str, length: int, fh: int | None = None) -> None:
        os.ftruncate(self.file, length)

    def fsync(self, path: str, datasync: int, fh: int) -> None:
        self.now()
        os.fsync(self.file)


def _touches(offset: int, size: int, start: int, length: int) -> bool:
    return offset < start + length and start < offset + size


if __name__ == "__main__":
    with contextlib.suppress(RuntimeError):  # how it reports that a signal ended it
        mfusepy.FUSE(Disk(Path(sys.argv[1])), sys.argv[2], foreground=True, direct_io=True, allow_other=True)
