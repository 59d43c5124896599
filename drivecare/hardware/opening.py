"""Open media: held against every other user, an image with its size, and errors that a person can act on."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import stat
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

from drivecare.errors import BadInput, Refused, Unavailable
from drivecare.hardware.in_use import find_user
from drivecare.hardware.media import BufferPool, Patience, RealMedium, close_both, is_read_only
from drivecare.hardware.programs import OURS
from drivecare.storage import create_file

# How long to wait for a medium that something else holds.
HELD_SECONDS = 3.0

Hold = TypeVar("Hold")


@contextlib.contextmanager
def hold_source(
    path: str, pool: BufferPool, *, was_read_only: bool | None = None, patience: Patience | None = None
) -> Iterator[RealMedium]:
    """Hold a source for reading; `forbid_writes` then keeps others from writing to it.

    `was_read_only`: its flag before an earlier, killed session; None where there was none.
    """
    direct, buffered = _open(path, os.O_RDONLY)
    restore = stat.S_ISBLK(os.fstat(buffered).st_mode) and not (
        is_read_only(buffered) if was_read_only is None else was_read_only
    )
    with _medium_of(path, direct, buffered, pool, restore, patience) as medium:
        yield medium


@contextlib.contextmanager
def hold_target(
    path: str,
    pool: BufferPool,
    *,
    image_bytes: int | None = None,
    exists: bool = True,
    empty_first: bool = True,
    once_held: Callable[[], None] = lambda: None,
    patience: Patience | None = None,
) -> Iterator[RealMedium]:
    """Hold a target for writing. An image gets the size `image_bytes`, after it was emptied with `empty_first`.

    A target that `exists` is never created anew; one that does not never replaces a file that appeared in the meantime.
    `once_held` is called before anything of the target changes and may refuse. Raises Unavailable where an image
    cannot get its size: then nothing has changed, and an image created for the copy is removed again.
    """
    direct, buffered = _open(path, os.O_RDWR | (0 if exists else os.O_CREAT | os.O_EXCL))
    try:
        once_held()
        if image_bytes is not None:
            _give_size(path, buffered, image_bytes, empty_first)
    except BaseException:
        if not exists:
            _remove_if_empty(path, buffered)
        close_both(direct, buffered)
        raise
    with _medium_of(path, direct, buffered, pool, False, patience) as medium:
        yield medium


def _give_size(path: str, descriptor: int, image_bytes: int, empty_first: bool) -> None:
    try:
        os.ftruncate(descriptor, image_bytes)
    except OSError as error:
        problem = f"cannot hold an image of {image_bytes:,} bytes: {error.strerror}"
        raise Unavailable(problem, location=path, hint="Choose another file system") from error
    if empty_first:  # a file that can have this size can be emptied and have it again
        with contextlib.suppress(PermissionError):  # FAT and many shares keep no permissions
            os.fchmod(descriptor, 0o600)  # from now on it holds a customer's data
        os.ftruncate(descriptor, 0)
        os.ftruncate(descriptor, image_bytes)


def _remove_if_empty(path: str, descriptor: int) -> None:
    """Remove an image that was created a moment ago, if the path still leads to it."""
    with contextlib.suppress(OSError):
        status, named = os.fstat(descriptor), os.path.realpath(path)
        if status.st_size == 0 and os.path.samestat(status, os.stat(named)):  # noqa: PTH116
            os.unlink(named)  # noqa: PTH108


@contextlib.contextmanager
def hold_for_reading(path: str, pool: BufferPool) -> Iterator[RealMedium]:
    """Hold a medium for reading it back, any time later."""
    direct, buffered = _open(path, os.O_RDONLY)
    with _medium_of(path, direct, buffered, pool, False, None) as medium:
        yield medium


@contextlib.contextmanager
def hold_descriptor(path: str) -> Iterator[int]:
    """Hold a medium for reading; yields its descriptor, for a process that is to see nothing else of this machine."""
    direct, buffered = _open(path, os.O_RDONLY)
    try:
        yield buffered
    finally:
        close_both(direct, buffered)


@contextlib.contextmanager
def reopen_for_reading(medium: RealMedium) -> Iterator[int]:
    """Another descriptor of what is held already, with which nothing can be written."""
    descriptor = os.open(f"/proc/self/fd/{medium.descriptor}", os.O_RDONLY | os.O_CLOEXEC)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


@contextlib.contextmanager
def open_unheld(path: str, pool: BufferPool, *, patience: Patience | None = None) -> Iterator[RealMedium]:
    """Read a medium through the cache without holding it: for guards that look before anything is held."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError as error:
        raise _cannot_open(path, error) from error
    with _medium_of(path, descriptor, descriptor, pool, False, patience) as medium:
        yield medium


@contextlib.contextmanager
def _medium_of(
    path: str, direct: int, buffered: int, pool: BufferPool, restore: bool, patience: Patience | None
) -> Iterator[RealMedium]:
    """The medium of two open descriptors, closed at the end."""
    medium = RealMedium(path, direct, buffered, pool, restore_writable=restore, patience=patience)
    try:
        yield medium
    finally:
        medium.close()


def _open(path: str, flags: int) -> tuple[int, int]:
    """Two descriptors of one medium, the first bypassing the cache where that works. Raises what a user can act on."""
    hold = 0
    with contextlib.suppress(OSError):
        mode = Path(path).stat().st_mode
        if not (stat.S_ISBLK(mode) or stat.S_ISREG(mode)):
            problem = "is a folder" if stat.S_ISDIR(mode) else "is neither a drive nor an image file"
            raise BadInput(problem, location=path, hint="Name a drive, like /dev/sdb, or an image file")
        hold = os.O_EXCL if stat.S_ISBLK(mode) else 0
    try:
        if flags & os.O_CREAT:
            buffered = create_file(Path(path).resolve(), flags)  # with O_EXCL, a link's own target is not created
        else:
            buffered = _wait_to_hold(lambda: os.open(path, flags | hold | os.O_CLOEXEC))
    except OSError as error:
        raise _cannot_open(path, error) from error
    try:
        # On a device it keeps udev from probing what is written, and shows plain users who has it open.
        lock = (fcntl.LOCK_EX if flags & os.O_RDWR else fcntl.LOCK_SH) | fcntl.LOCK_NB
        _wait_to_hold(lambda: fcntl.flock(buffered, lock))
        return os.open(f"/proc/self/fd/{buffered}", (flags & os.O_RDWR) | os.O_DIRECT | os.O_CLOEXEC), buffered
    except BlockingIOError as error:
        os.close(buffered)
        raise _in_use(path) from error
    except OSError:
        return buffered, buffered  # this file system has no direct transfers


def _wait_to_hold(take: Callable[[], Hold]) -> Hold:
    """Hold a medium. The process of a copy that was just killed lets go as soon as its last read comes back."""
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
        return _in_use(path)
    if error.errno in (errno.EACCES, errno.EPERM):
        return Unavailable("permission denied", location=path, hint="Try with sudo, or check its permissions")
    if error.errno == errno.EEXIST:
        return Refused("has appeared since the copy was planned", guard="path-moved", location=path, hint="Start again")
    if error.errno == errno.EROFS:
        return Refused("is read-only", guard="target-read-only", location=path, hint="Name another target")
    if error.errno == errno.ENOENT:
        return BadInput("there is no such file or device", location=path, hint="Check the path")
    return Unavailable(f"cannot be opened: {error.strerror}", location=path, hint="Check that it is still attached")


def _in_use(path: str) -> Refused:
    program = find_user(path)
    ours = program is not None and program.name == OURS
    hint = "Wait for that to end" if ours else "Unmount it, or close what uses it"
    return Refused(f"is in use by {program or 'something else'}", guard="in-use", location=path, hint=hint)
