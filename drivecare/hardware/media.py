"""Real media behind the engine's port: block devices and image files.

Each medium is held (O_EXCL on a device, a lock on a file) and touched by a process of its own, `hardware.worker`, over
memory that both share: a read that hangs in the kernel leaves that process behind and nothing else. Transfers bypass
this machine's cache (O_DIRECT) where the file system allows it.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import mmap
import os
import stat
import struct
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path

from drivecare.errors import Interrupted
from drivecare.hardware.worker_process import WorkerEnded, WorkerProcess
from drivecare.transfer.areas import Area
from drivecare.transfer.medium import Buffer, Stuck
from drivecare.transfer.sectors.receipt import ReadBackMethod

BUFFER_BYTES = 4 << 20
BUFFER_COUNT = 8
# A drive behind Linux' own timeouts gives up after about 6 tries of 30 s and some resets (drivers/scsi/sd.h).
STUCK_AFTER_SECONDS = 300.0
# A healthy drive that recovers a sector, or flushes a full cache, takes up to this long; after it a stop is obeyed.
STOP_PATIENCE_SECONDS = 20.0
GLANCE_SECONDS = 0.5  # how often a call that has not come back is looked at
_VERBS = {b"R": "reading", b"W": "writing", b"S": "flushing"}

# linux/fs.h
BLKROSET, BLKROGET, BLKSSZGET, BLKPBSZGET, BLKGETDISKSEQ = 0x125D, 0x125E, 0x1268, 0x127B, 0x80081280


@dataclass(frozen=True, kw_only=True)
class Patience:
    """How long a call on a medium may take. `stop_reason` gives the reason to stop, or None: with
    one, the call is given up sooner."""

    seconds: float = STUCK_AFTER_SECONDS
    stop_reason: Callable[[], str | None] = lambda: None

    def is_over(self, waited_seconds: float) -> bool:
        """Tell whether a call that has not come back for this long is given up."""
        if waited_seconds >= self.seconds:
            return True
        return waited_seconds >= STOP_PATIENCE_SECONDS and self.stop_reason() is not None

    def raise_if_stopped(self) -> None:
        """Raise Interrupted where there is a reason to stop."""
        if (reason := self.stop_reason()) is not None:
            raise Interrupted(reason)


class BufferPool:
    """Page-aligned memory shared with the workers, cut into buffers."""

    def __init__(self, count: int = BUFFER_COUNT, size: int = BUFFER_BYTES) -> None:
        self.descriptor = os.memfd_create("drivecare-buffers", os.MFD_CLOEXEC)
        os.ftruncate(self.descriptor, count * size)
        self._view = memoryview(mmap.mmap(self.descriptor, count * size))
        self.buffers = tuple(Buffer(self._view[at : at + size], at) for at in range(0, count * size, size))

    def close(self) -> None:
        """Close the descriptor; the memory goes once no buffer of it is in use."""
        os.close(self.descriptor)


class RealMedium:
    """A device or image file, open and held; implements `transfer.medium.Medium`."""

    def __init__(
        self,
        path: str,
        direct: int,
        buffered: int,
        pool: BufferPool,
        *,
        restore_writable: bool = False,
        patience: Patience | None = None,
    ) -> None:
        self.path = path
        self._descriptor, self._buffered = direct, buffered
        self.is_device = stat.S_ISBLK(os.fstat(buffered).st_mode)
        self.size_bytes = os.lseek(buffered, 0, os.SEEK_END)
        self.sparse = not self.is_device
        self.was_writable = restore_writable
        self.patience = patience or Patience()
        self._stuck: Stuck | None = None
        self._disk_sequence = _disk_sequence(buffered) if self.is_device else None
        self._worker = WorkerProcess(pool.descriptor, direct, buffered, restore_writable=restore_writable)
        self._align = self._alignment(pool.buffers[0])
        self.direct = self._align is not None
        self.sector_bytes = self._sector_bytes()

    @property
    def descriptor(self) -> int:
        """The descriptor that reads through this machine's cache."""
        return self._buffered

    def _alignment(self, buffer: Buffer) -> int | None:
        """Find the unit of direct transfers by trying; None where there are none."""
        if self._descriptor == self._buffered:
            return None
        sizes = (_ioctl_number(self._buffered, BLKSSZGET),) if self.is_device else (512, 4096)
        for size in sizes:
            try:
                self._call(b"R", 0, buffer.position, size)
            except OSError as error:
                if error.errno in (errno.EINVAL, errno.EOPNOTSUPP):
                    continue
            return size
        return None

    def _sector_bytes(self) -> int:
        if self.is_device:
            return max(_ioctl_number(self._buffered, BLKSSZGET), _ioctl_number(self._buffered, BLKPBSZGET))
        return self._align or 4096  # through the cache, the kernel reads whole pages

    def read(self, offset: int, buffer: Buffer, length: int) -> int:
        """Read into the start of the buffer; see the port."""
        if self._align is not None and offset % self._align == 0 and buffer.position % self._align == 0:
            padded = -(-length // self._align) * self._align  # the last piece of an image may be shorter than a sector
            if padded <= len(buffer.view):
                return min(length, self._call(b"R", offset, buffer.position, padded))
        return self._call(b"r", offset, buffer.position, length)

    def write(self, offset: int, buffer: Buffer, start: int, length: int) -> int:
        """Write from `start` in the buffer; see the port. Less than a sector goes through the cache."""
        position = buffer.position + start
        if self._align is not None and offset % self._align == 0 and position % self._align == 0:
            aligned = length // self._align * self._align
            if aligned:
                return self._call(b"W", offset, position, aligned)
        return self._call(b"w", offset, position, length)

    def punch(self, area: Area) -> None:
        """Make a hole in an image, or write zeros where its file system supports no holes."""
        try:
            self._call(b"P", area.offset, 0, area.length)
        except OSError as error:
            if error.errno not in (errno.EOPNOTSUPP, errno.ENOSYS):
                raise
            self.sparse = False
            zeros = bytes(min(area.length, BUFFER_BYTES))
            position = area.offset
            while position < area.end:
                position += os.pwrite(self._buffered, zeros[: area.end - position], position)

    def forbid_writes(self) -> bool:
        """Have the kernel refuse every write to a source that was writable; return whether it does.

        The worker undoes this however it ends, except when it is killed, so the old state has to be durable first.
        """
        if self.was_writable:
            with contextlib.suppress(OSError):  # not permitted; it is open for reading only all the same
                fcntl.ioctl(self._buffered, BLKROSET, struct.pack("i", 1))
                return True
        return False

    def flush(self) -> None:
        """fsync: on a device this also flushes the drive's own cache, as far as the drive obeys."""
        self._call(b"S", 0, 0, 0)

    def bypass_cache(self) -> ReadBackMethod:
        """Drop what this machine's cache holds; direct reads bypass it anyway."""
        self._call(b"D", 0, 0, 0)
        return "direct" if self.direct else "cache-dropped"

    def is_present(self) -> bool:
        """Tell whether the same medium with the same size still answers the kernel."""
        try:
            if os.lseek(self._buffered, 0, os.SEEK_END) != self.size_bytes:
                return False
            status = os.fstat(self._buffered)
            if self.is_device:
                number = f"{os.major(status.st_rdev)}:{os.minor(status.st_rdev)}"
                attached = Path("/sys/dev/block", number).exists()
                return attached and _disk_sequence(self._buffered) == self._disk_sequence
        except OSError:
            return False
        return status.st_nlink > 0

    @property
    def was_removed(self) -> bool:
        """Whether the last name of this image was removed, so that it vanishes when it is closed."""
        return os.fstat(self._buffered).st_nlink == 0 and not self.is_device

    def _call(self, operation: bytes, offset: int, position: int, length: int) -> int:
        """Have the worker carry out one request. Raises OSError as the call did, Stuck when it does not come back."""
        if self._stuck is not None:
            raise self._stuck
        answer = self._worker.send(operation, offset, position, length)
        try:
            count = self._await(answer, f"{_VERBS.get(operation.upper(), 'a call on')} {self.path} at byte {offset:,}")
        except WorkerEnded:
            raise OSError(errno.ENODEV, "the process that held the medium has ended") from None
        if count < 0:
            raise OSError(-count, os.strerror(-count))
        return count

    def _await(self, answer: Future[int], call: str) -> int:
        """The answer to a call, which is named for people. Raises Stuck, WorkerEnded."""
        glance, waited = min(GLANCE_SECONDS, self.patience.seconds), 0.0
        while True:
            try:
                return answer.result(timeout=glance)
            except TimeoutError:
                waited += glance  # the seconds looked at it, not those of a clock: while we were stopped, nobody looked
            if self.patience.is_over(waited):
                self._stuck = Stuck(f"{call} has not come back for {waited:,.0f} s", self._worker.pid)
                raise self._stuck

    def close(self) -> None:
        """Let go of the medium. The worker restores a source's read-only flag; one that is stuck is left behind."""
        self._worker.close()
        close_both(self._descriptor, self._buffered)


def close_both(direct: int, buffered: int) -> None:
    """Close the two descriptors of a medium, which may be one."""
    for descriptor in {direct, buffered}:
        os.close(descriptor)


def is_read_only(descriptor: int) -> bool:
    """The kernel's read-only flag of a device."""
    return bool(_ioctl_number(descriptor, BLKROGET))


def _ioctl_number(descriptor: int, request: int) -> int:
    answer = fcntl.ioctl(descriptor, request, bytes(4))
    return int(struct.unpack("I", answer)[0])


def _disk_sequence(descriptor: int) -> int | None:
    try:
        return int(struct.unpack("Q", fcntl.ioctl(descriptor, BLKGETDISKSEQ, bytes(8)))[0])
    except OSError:
        return None  # before Linux 5.15
