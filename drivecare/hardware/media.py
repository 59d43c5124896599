"""Real media behind the engine's port: block devices and image files.

Each medium is held (O_EXCL on a device, a lock on a file) and touched by a process of its own, `hardware.worker`, over
memory both share: a read that hangs in the kernel leaves that process behind and nothing else. Transfers pass the
host's cache by (O_DIRECT) where the file system allows it.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import mmap
import os
import socket
import stat
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

from drivecare.errors import BadInput, Refused, Unavailable
from drivecare.hardware import worker
from drivecare.storage import create_file
from drivecare.transfer.areas import Area
from drivecare.transfer.port import Buffer, Stuck
from drivecare.transfer.receipt import Method

BUFFER_BYTES = 4 << 20
BUFFER_COUNT = 8
# A drive behind Linux' own timeouts gives up after about 6 tries of 30 s and some resets (drivers/scsi/sd.h).
PATIENCE_SECONDS = 300.0
# How long a medium that something holds is waited for.
HELD_SECONDS = 3.0

T = TypeVar("T")

# linux/fs.h
BLKROSET, BLKROGET, BLKSSZGET, BLKPBSZGET, BLKGETDISKSEQ = 0x125D, 0x125E, 0x1268, 0x127B, 0x80081280


class Pool:
    """Page-aligned memory shared with the workers, cut into buffers."""

    def __init__(self, count: int = BUFFER_COUNT, size: int = BUFFER_BYTES) -> None:
        self.descriptor = os.memfd_create("drivecare-buffers", os.MFD_CLOEXEC)
        os.ftruncate(self.descriptor, count * size)
        self._view = memoryview(mmap.mmap(self.descriptor, count * size))
        self.buffers = tuple(Buffer(self._view[at : at + size], at) for at in range(0, count * size, size))

    def close(self) -> None:
        """Give the descriptor back; the memory goes when nothing looks at it any more."""
        os.close(self.descriptor)


class RealMedium:
    """A device or image file, open and held; implements `transfer.port.Medium`."""

    def __init__(
        self,
        path: str,
        direct: int,
        buffered: int,
        pool: Pool,
        *,
        restore_writable: bool = False,
        patience_seconds: float = PATIENCE_SECONDS,
    ) -> None:
        self.path = path
        self._descriptor, self._buffered = direct, buffered
        self.is_device = stat.S_ISBLK(os.fstat(buffered).st_mode)
        self.size_bytes = os.lseek(buffered, 0, os.SEEK_END)
        self.sparse = not self.is_device
        self.was_writable = restore_writable
        self.patience_seconds = patience_seconds
        self._disk_sequence = _disk_sequence(buffered) if self.is_device else None
        self._sending, self._turn = threading.Lock(), threading.Condition()
        self._sent = self._answered = 0
        self._worker, self._channel = _start(pool.descriptor, direct, buffered, restore_writable)
        self._align = self._alignment(pool.buffers[0])
        self.direct = self._align is not None
        self.sector_bytes = self._sector_bytes()

    def _alignment(self, buffer: Buffer) -> int | None:
        """The unit of direct transfers here, by trying; None where there are none."""
        if self._descriptor == self._buffered:
            return None
        sizes = (_ask(self._buffered, BLKSSZGET),) if self.is_device else (512, 4096)
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
            return max(_ask(self._buffered, BLKSSZGET), _ask(self._buffered, BLKPBSZGET))
        return self._align or 4096  # through the cache, the kernel reads whole pages

    def read(self, offset: int, buffer: Buffer, length: int) -> int:
        """Read into the start of the buffer; see the port."""
        if self._align is not None and offset % self._align == 0 and buffer.position % self._align == 0:
            whole = -(-length // self._align) * self._align  # the last piece of an image may be shorter than a sector
            if whole <= len(buffer.view):
                return min(length, self._call(b"R", offset, buffer.position, whole))
        return self._call(b"r", offset, buffer.position, length)

    def write(self, offset: int, buffer: Buffer, start: int, length: int) -> int:
        """Write from `start` in the buffer; see the port. What is left of a sector goes through the cache."""
        position = buffer.position + start
        if self._align is not None and offset % self._align == 0 and position % self._align == 0:
            whole = length // self._align * self._align
            if whole:
                return self._call(b"W", offset, position, whole)
        return self._call(b"w", offset, position, length)

    def punch(self, area: Area) -> None:
        """Make a hole in an image, or write zeros where its file system knows no holes."""
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
        """Let the kernel refuse every write to a source that was writable; whether it does.

        The worker undoes this at any end but its own kill, so what the device was has to be durable first.
        """
        if self.was_writable:
            with contextlib.suppress(OSError):  # no right to; it is open for reading only all the same
                fcntl.ioctl(self._buffered, BLKROSET, struct.pack("i", 1))
                return True
        return False

    def flush(self) -> None:
        """fsync: on a device this flushes the drive's own cache, too, as far as the drive obeys."""
        self._call(b"S", 0, 0, 0)

    def past_cache(self) -> Method:
        """Drop what the host's cache holds; direct reads pass it by anyway."""
        self._call(b"D", 0, 0, 0)
        return "direct" if self.direct else "cache-dropped"

    def present(self) -> bool:
        """Whether the same medium with the same size still answers the kernel."""
        try:
            if os.lseek(self._buffered, 0, os.SEEK_END) != self.size_bytes:
                return False
            status = os.fstat(self._buffered)
            if self.is_device:
                number = f"{os.major(status.st_rdev)}:{os.minor(status.st_rdev)}"
                there = Path("/sys/dev/block", number).exists()
                return there and _disk_sequence(self._buffered) == self._disk_sequence
        except OSError:
            return False
        return status.st_nlink > 0

    def _call(self, operation: bytes, offset: int, position: int, length: int) -> int:
        """One request to the worker. Raises OSError as the call did, Stuck when it does not come back in time.

        Several threads may call: the next request then lies ready when the worker has answered one.
        """
        try:
            with self._sending:
                self._channel.send(worker.REQUEST.pack(operation, offset, position, length))
                number, self._sent = self._sent, self._sent + 1
            answer = self._answer(number)
        except TimeoutError as error:
            verb = {b"R": "reading", b"W": "writing", b"S": "flushing"}.get(operation.upper(), "a call on")
            what = f"{verb} {self.path} at byte {offset:,} has not come back for {self.patience_seconds:,.0f} s"
            raise Stuck(what, self._worker.pid) from error
        except ConnectionError:
            answer = b""
        if not answer:
            raise OSError(errno.ENODEV, "the process that held the medium has ended")
        count: int = worker.ANSWER.unpack(answer)[0]
        if count < 0:
            raise OSError(-count, os.strerror(-count))
        return count

    def _answer(self, number: int) -> bytes:
        """The answer to request `number`; they come in order. Raises TimeoutError."""
        with self._turn:
            if not self._turn.wait_for(lambda: self._answered == number, self.patience_seconds):
                raise TimeoutError
        self._channel.settimeout(self.patience_seconds)
        answer = self._channel.recv(worker.ANSWER.size)
        with self._turn:
            self._answered += 1
            self._turn.notify_all()
        return answer

    def close(self) -> None:
        """Let go. The worker gives a source its read-only flag back; one that is stuck is left behind."""
        with contextlib.suppress(OSError):
            self._channel.shutdown(socket.SHUT_RDWR)  # wakes a thread that still waits for an answer
        self._channel.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._worker.wait(timeout=5)
        _close_both(self._descriptor, self._buffered)


def _start(memory: int, direct: int, buffered: int, restore: bool) -> tuple[subprocess.Popen[bytes], socket.socket]:
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    with theirs:
        arguments = (theirs.fileno(), memory, direct, buffered, int(restore))
        process = subprocess.Popen(
            [sys.executable, "-I", "-S", worker.__file__, *map(str, arguments)],
            pass_fds={theirs.fileno(), memory, direct, buffered},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,  # one left behind must not hold a pipe open that somebody reads to its end
            start_new_session=True,  # Ctrl-C is for the program, which then stops in good order
        )
    return process, ours


@contextlib.contextmanager
def open_source(
    path: str, pool: Pool, *, was_read_only: bool | None = None, patience_seconds: float = PATIENCE_SECONDS
) -> Iterator[RealMedium]:
    """Hold a source for reading; `forbid_writes` then keeps others from writing to it.

    `was_read_only`: its flag before an earlier, killed session; None where there was none.
    """
    direct, buffered = _open(path, os.O_RDONLY)
    restore = stat.S_ISBLK(os.fstat(buffered).st_mode) and not (
        read_only(buffered) if was_read_only is None else was_read_only
    )
    with _closing(path, direct, buffered, pool, restore, patience_seconds) as medium:
        yield medium


@contextlib.contextmanager
def open_target(
    path: str,
    pool: Pool,
    *,
    image_bytes: int | None = None,
    exists: bool = True,
    fresh: bool = True,
    once_held: Callable[[], None] = lambda: None,
    patience_seconds: float = PATIENCE_SECONDS,
) -> Iterator[RealMedium]:
    """Hold a target for writing. An image gets `image_bytes`, emptied first where the copy is `fresh`.

    A target that `exists` is never made anew, one that does not never replaces what came there in the meantime.
    `once_held` is called before anything of the target changes and may refuse. Raises Unavailable where an image
    cannot get its size: then nothing has changed, and one that was made for it is gone again.
    """
    direct, buffered = _open(path, os.O_RDWR | (0 if exists else os.O_CREAT | os.O_EXCL))
    try:
        once_held()
        if image_bytes is not None:
            _give_size(path, buffered, image_bytes, fresh)
    except BaseException:
        if not exists:
            _remove_if_empty(path, buffered)
        _close_both(direct, buffered)
        raise
    with _closing(path, direct, buffered, pool, False, patience_seconds) as medium:
        yield medium


def _give_size(path: str, descriptor: int, image_bytes: int, fresh: bool) -> None:
    try:
        os.ftruncate(descriptor, image_bytes)
    except OSError as error:
        what = f"cannot hold an image of {image_bytes:,} bytes: {error.strerror}"
        raise Unavailable(what, where=path, hint="Choose another file system") from error
    if fresh:  # a file that can have this size can be emptied and have it again
        with contextlib.suppress(PermissionError):  # FAT and many shares keep no permissions
            os.fchmod(descriptor, 0o600)  # from now on it holds a customer's data
        os.ftruncate(descriptor, 0)
        os.ftruncate(descriptor, image_bytes)


def _remove_if_empty(path: str, descriptor: int) -> None:
    """Take back an image that was made a moment ago, if the path still leads to it."""
    with contextlib.suppress(OSError):
        status, named = os.fstat(descriptor), os.path.realpath(path)
        if status.st_size == 0 and os.path.samestat(status, os.stat(named)):  # noqa: PTH116
            os.unlink(named)  # noqa: PTH108


@contextlib.contextmanager
def open_to_verify(path: str, pool: Pool) -> Iterator[RealMedium]:
    """Hold a medium for reading it back, any time later."""
    direct, buffered = _open(path, os.O_RDONLY)
    with _closing(path, direct, buffered, pool, False, PATIENCE_SECONDS) as medium:
        yield medium


@contextlib.contextmanager
def open_to_look(path: str, pool: Pool, *, patience_seconds: float = PATIENCE_SECONDS) -> Iterator[RealMedium]:
    """Read a medium through the cache without holding it: for guards that look before anything is held."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError as error:
        raise _cannot_open(path, error) from error
    with _closing(path, descriptor, descriptor, pool, False, patience_seconds) as medium:
        yield medium


@contextlib.contextmanager
def _closing(
    path: str, direct: int, buffered: int, pool: Pool, restore: bool, patience_seconds: float
) -> Iterator[RealMedium]:
    """The medium of two open descriptors, let go at the end."""
    medium = RealMedium(path, direct, buffered, pool, restore_writable=restore, patience_seconds=patience_seconds)
    try:
        yield medium
    finally:
        medium.close()


def _close_both(direct: int, buffered: int) -> None:
    for descriptor in {direct, buffered}:
        os.close(descriptor)


def _open(path: str, flags: int) -> tuple[int, int]:
    """Two descriptors of one medium, the first past the cache where that works. Raises what a user can act on."""
    hold = 0
    with contextlib.suppress(OSError):
        mode = Path(path).stat().st_mode
        if not (stat.S_ISBLK(mode) or stat.S_ISREG(mode)):
            what = "is a directory" if stat.S_ISDIR(mode) else "is neither a drive nor an image file"
            raise BadInput(what, where=path, hint="Name a drive, like /dev/sdb, or an image file")
        hold = os.O_EXCL if stat.S_ISBLK(mode) else 0
    try:
        if flags & os.O_CREAT:
            buffered = create_file(Path(path).resolve(), flags)  # O_EXCL does not make a link's goal
        else:
            buffered = _patiently(lambda: os.open(path, flags | hold | os.O_CLOEXEC))
    except OSError as error:
        raise _cannot_open(path, error) from error
    try:
        if not hold:
            lock = (fcntl.LOCK_EX if flags & os.O_RDWR else fcntl.LOCK_SH) | fcntl.LOCK_NB
            _patiently(lambda: fcntl.flock(buffered, lock))
        return os.open(f"/proc/self/fd/{buffered}", (flags & os.O_RDWR) | os.O_DIRECT | os.O_CLOEXEC), buffered
    except BlockingIOError as error:
        os.close(buffered)
        raise Refused("another copy holds it", guard="in-use", where=path, hint="Wait for that to end") from error
    except OSError:
        return buffered, buffered  # this file system has no direct transfers


def _patiently(take: Callable[[], T]) -> T:
    """Take hold of a medium. The process of a copy that was just killed lets go as soon as its last read comes back."""
    until = time.monotonic() + HELD_SECONDS
    while True:
        try:
            return take()
        except OSError as error:
            if error.errno not in (errno.EBUSY, errno.EWOULDBLOCK) or time.monotonic() > until:
                raise
            time.sleep(0.05)


def _cannot_open(path: str, error: OSError) -> Exception:
    if error.errno == errno.EBUSY:
        return Refused("is in use by something else", guard="in-use", where=path, hint="Unmount it, or close its user")
    if error.errno in (errno.EACCES, errno.EPERM):
        return Unavailable("may not be opened by you", where=path, hint="Try with sudo, or check its permissions")
    if error.errno == errno.EEXIST:
        return Refused("has come there since the copy was planned", guard="path-moved", where=path, hint="Start again")
    if error.errno == errno.EROFS:
        return Refused("is read-only", guard="target-read-only", where=path)
    if error.errno == errno.ENOENT:
        return BadInput("there is no such file or device", where=path, hint="Check the path")
    return Unavailable(f"cannot be opened: {error.strerror}", where=path, hint="Check that it is still attached")


def read_only(descriptor: int) -> bool:
    """The kernel's read-only flag of a device."""
    return bool(_ask(descriptor, BLKROGET))


def _ask(descriptor: int, request: int) -> int:
    answer = fcntl.ioctl(descriptor, request, bytes(4))
    return int(struct.unpack("I", answer)[0])


def _disk_sequence(descriptor: int) -> int | None:
    try:
        return int(struct.unpack("Q", fcntl.ioctl(descriptor, BLKGETDISKSEQ, bytes(8)))[0])
    except OSError:
        return None  # before Linux 5.15
