"""Make files and folders on this machine's disks: whole, durable, private, and the invoking user's own.
What drivecare writes may hold a customer's data or describe it, so only its owner may read it, and nothing that exists
is replaced unless the caller says so. Every file and folder is made here, except the content of a bag, which is made
beneath the bag's own descriptor (`hardware/held_folder.py`). A file that somebody else may have put there is opened
here too, so that no link or pipe misleads us.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from drivecare.errors import Refused, Unavailable
from drivecare.invoking_user import give_to_invoking_user

# How a file system without hard links answers link(2): FAT, exFAT, many network shares.
_NO_HARD_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS)


def create_file(path: Path, flags: int = os.O_WRONLY) -> int:
    """Make a new file, 0600 and the invoking user's, and return its descriptor.

    Raises FileExistsError where anything exists, a link included, and other OSError.
    """
    descriptor = os.open(path, flags | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    try:
        give_to_invoking_user(descriptor)
    except BaseException:
        os.close(descriptor)
        path.unlink(missing_ok=True)
        raise
    return descriptor


def create_folder(path: Path, *, parents: bool = False) -> None:
    """Make a new folder, 0700 and the invoking user's; with `parents` those above it too.

    Raises FileExistsError where anything exists, and other OSError.
    """
    if parents:
        for folder in reversed([folder for folder in path.parents if not folder.exists()]):
            with contextlib.suppress(FileExistsError):
                create_folder(folder)
    path.mkdir(mode=0o700)
    descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    try:
        give_to_invoking_user(descriptor)
    finally:
        os.close(descriptor)


def close_folder(descriptor: int) -> None:
    """Make an existing folder 0700 and the invoking user's, as far as we can.

    On a file system without modes, or where the folder is another user's, it stays unchanged.
    """
    with contextlib.suppress(OSError):
        os.fchmod(descriptor, 0o700)
        give_to_invoking_user(descriptor)


@contextlib.contextmanager
def new_file(path: Path, *, replace: bool = False) -> Iterator[BinaryIO]:
    """Open a stream whose content takes the name `path` at the end, whole and durable; after an error, not at all.

    The bytes go to a file beside it and are flushed to the medium before it takes the name; the folder is flushed last.
    Raises Refused where something exists, unless it may `replace` it; Unavailable for a full disk or a missing
    permission.
    """
    part = path.with_name(f".{os.urandom(8).hex()}.part")
    try:
        try:
            with open(create_file(part), "wb") as stream:
                yield stream
                stream.flush()
                os.fsync(stream.fileno())
            if replace:
                part.replace(path)
            else:
                _take_free_name(part, path)
        finally:
            part.unlink(missing_ok=True)
        sync_folder(path.parent)
    except FileExistsError as error:
        raise already_there(path) from error
    except OSError as error:
        hint = "Choose another place, or check the folder and its permissions."
        raise Unavailable(f"cannot be written: {error.strerror}", location=str(path), hint=hint) from error


def write_file(path: Path, data: bytes, *, replace: bool = False) -> None:
    """Put `data` at `path` whole or not at all, and durably. Raises as `new_file` does."""
    with new_file(path, replace=replace) as stream:
        stream.write(data)


def remove_file(path: Path) -> None:
    """Remove a file, durably. Raises Unavailable."""
    try:
        path.unlink()
        sync_folder(path.parent)
    except OSError as error:
        raise Unavailable(f"cannot be removed: {error.strerror}", location=str(path)) from error


def already_there(path: Path, hint: str = "Choose another name.") -> Refused:
    """The refusal to replace what exists at `path`."""
    return Refused("already exists, and nothing is overwritten unasked", guard="exists", location=str(path), hint=hint)


def sync_folder(folder: Path) -> None:
    """Flush a folder's entries, so that a new name survives a power cut."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _take_free_name(part: Path, path: Path) -> None:
    """Give the finished file its name. Raises FileExistsError where something has that name already."""
    try:
        os.link(part, path)
    except OSError as error:
        if error.errno not in _NO_HARD_LINKS:
            raise
        os.close(create_file(path))  # claims the name; the finished file then takes it
        part.replace(path)


def open_lock_file(path: Path, *, create: bool) -> int:
    """Open a file that stands for a lock, made where it is missing if we may `create` it. Raises OSError.

    Only a file that is open for writing can be locked against others on every network file system.
    """
    flags = (os.O_RDWR if create else os.O_RDONLY) | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    while True:
        try:
            return os.open(path, flags)
        except FileNotFoundError:
            if not create:
                raise
        with contextlib.suppress(FileExistsError):  # another process made it meanwhile
            return create_file(path, os.O_RDWR)


@contextlib.contextmanager
def regular_file(path: Path, limit_bytes: int) -> Iterator[io.BufferedReader]:
    """Open a file of the folder itself, without following a link or waiting for a pipe's writer. Raises OSError."""
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        info = os.fstat(descriptor)
        if not stat.S_ISREG(info.st_mode):
            raise OSError(errno.EINVAL, "is not a regular file")
        if info.st_size > limit_bytes:
            raise OSError(errno.EFBIG, f"is larger than {limit_bytes:,} bytes")
        with open(descriptor, "rb", closefd=False) as stream:
            yield stream
    finally:
        os.close(descriptor)


def describe_read_error(error: OSError) -> str:
    """Say why a file could not be read, in words that follow its name."""
    if error.errno == errno.ELOOP:
        return "is a link, not a file"
    own_words = error.errno in (errno.EINVAL, errno.EFBIG)
    return str(error.strerror) if own_words else f"cannot be read: {error.strerror}"
