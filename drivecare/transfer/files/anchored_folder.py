"""A folder held open, and what lies beneath it, reached without following a link.

Every path is walked from the folder's own descriptor, one component at a time, as openat(2) with O_NOFOLLOW does it.
So a folder that somebody swaps for a link while we work ends in an error, never in a read, a write or a removal
elsewhere. A file system mounted beneath is outside, too. Pipes and devices are recognised before they are opened:
opening one may wait for ever, and on some devices it has effects of its own.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType

_BENEATH = os.O_PATH | os.O_NOFOLLOW | os.O_CLOEXEC
_FOLDER = os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC

_KINDS = {
    stat.S_IFDIR: "a folder",
    stat.S_IFREG: "a file",
    stat.S_IFLNK: "a link",
    stat.S_IFIFO: "a named pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFBLK: "a device",
    stat.S_IFCHR: "a device",
}


def kind_of(info: os.stat_result) -> str:
    """What a directory entry is, with its article."""
    return _KINDS.get(stat.S_IFMT(info.st_mode), "of an unknown kind")


class WrongKind(OSError):
    """Something else lies where a file or a folder belongs; `kind` says what, `path` where.

    Nothing of it was read.
    """

    def __init__(self, path: bytes, kind: str, expected: str) -> None:
        self.path, self.kind = path, kind
        super().__init__(errno.ELOOP, f"{path.decode('utf-8', 'backslashreplace')} is {kind}, not {expected}")


def attached(device: int) -> bool:
    """Whether the block device of this number is there; True for file systems that stand on none."""
    number = f"{os.major(device)}:{os.minor(device)}"
    return os.major(device) == 0 or os.path.exists(f"/sys/dev/block/{number}")


class HeldFolder:
    """A folder by its descriptor. Paths are relative to it, as the file system's own bytes; errors are OSError.

    Where root works in somebody else's folder, what it makes there becomes that person's.
    """

    def __init__(self, descriptor: int, path: Path) -> None:
        info = os.fstat(descriptor)
        self.path, self.device = path, info.st_dev
        self.descriptor = descriptor
        self._nearest: tuple[bytes, int] | None = None

    @classmethod
    def hold(cls, path: Path, *, follow: bool = False) -> HeldFolder:
        """Open a folder. Raises WrongKind where `path` is anything else: a link, too, unless `follow`."""
        flags = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC
        try:
            return cls(os.open(path, flags if follow else flags | os.O_NOFOLLOW), path)
        except NotADirectoryError as error:
            raise WrongKind(os.fsencode(path), kind_of(os.lstat(path)), "a folder") from error

    def __enter__(self) -> HeldFolder:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of it."""
        if self._nearest is not None:
            os.close(self._nearest[1])
            self._nearest = None
        os.close(self.descriptor)

    @property
    def anchor(self) -> Path:
        """A path to this very folder, whatever its name leads to by now."""
        return Path(f"/proc/self/fd/{self.descriptor}")

    @property
    def owner(self) -> tuple[int, int]:
        """User and group number of the folder."""
        info = os.fstat(self.descriptor)
        return info.st_uid, info.st_gid

    def status(self, path: bytes) -> os.stat_result:
        """What lies at `path`, itself."""
        folder, name = self._parent(path)
        return os.stat(name, dir_fd=folder, follow_symlinks=False)

    def names(self, path: bytes) -> list[bytes]:
        """The sorted names in a folder."""
        descriptor = self.open_folder(path)
        try:
            return sorted(map(os.fsencode, os.listdir(descriptor)))
        finally:
            os.close(descriptor)

    def walk(self, top: bytes) -> Iterator[tuple[bytes, os.stat_result | OSError]]:
        """Everything beneath `top`, folders before their content; in place of what cannot be looked at, the error."""
        pending = [top]
        while pending:
            folder = pending.pop()
            try:
                names = self.names(folder)
            except OSError as error:
                yield folder, error
                continue
            for name in names:
                path = folder + b"/" + name if folder else name
                try:
                    info = self.status(path)
                except OSError as error:
                    yield path, error
                    continue
                if stat.S_ISDIR(info.st_mode) and info.st_dev == self.device:
                    pending.append(path)
                yield path, info

    def attributes(self, path: bytes) -> dict[str, bytes | None]:
        """Extended attributes of a file or folder; None where a value cannot be read. {} where there are none."""
        folder, name = self._parent(path)
        entry = os.path.join(b"/proc/self/fd/%d" % folder, name)
        try:
            names = os.listxattr(entry, follow_symlinks=False)
        except OSError:
            return {}
        values: dict[str, bytes | None] = dict.fromkeys(names)
        for attribute in names:
            with contextlib.suppress(OSError):
                values[attribute] = os.getxattr(entry, attribute, follow_symlinks=False)
        return values

    def open_file(self, path: bytes, flags: int = os.O_RDONLY) -> int:
        """A descriptor of a regular file. Raises WrongKind for anything else, which is not opened."""
        folder, name = self._parent(path)
        seen = os.open(name, _BENEATH, dir_fd=folder)
        try:
            info = os.fstat(seen)
            if not stat.S_ISREG(info.st_mode):
                raise WrongKind(path, kind_of(info), "a file")
            return os.open(f"/proc/self/fd/{seen}", flags | os.O_CLOEXEC)
        finally:
            os.close(seen)

    def open_folder(self, path: bytes) -> int:
        """A descriptor of a folder, for listing and flushing."""
        if not path:
            return os.open(".", os.O_RDONLY | _FOLDER, dir_fd=self.descriptor)
        folder, name = self._parent(path)
        return _open_folder(folder, name, os.O_RDONLY, path)

    def create_file(self, path: bytes) -> int:
        """A descriptor of a new file, for writing; nobody but its owner can open it. Raises FileExistsError."""
        folder, name = self._parent(path)
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
        descriptor = os.open(name, flags, 0o600, dir_fd=folder)
        self._give(descriptor)
        return descriptor

    def make_folder(self, path: bytes) -> None:
        """Make a folder for its owner alone; one that is there already becomes so."""
        folder, name = self._parent(path)
        with contextlib.suppress(FileExistsError):
            os.mkdir(name, 0o700, dir_fd=folder)
        descriptor = self.open_folder(path)
        try:
            with contextlib.suppress(OSError):
                os.fchmod(descriptor, 0o700)
            self._give(descriptor)
        finally:
            os.close(descriptor)

    def make_link(self, target: bytes, path: bytes) -> None:
        """Put a symbolic link at `path`."""
        folder, name = self._parent(path)
        os.symlink(target, name, dir_fd=folder)
        if self._gives:
            with contextlib.suppress(OSError):
                os.chown(name, *self.owner, dir_fd=folder, follow_symlinks=False)

    def read_link(self, path: bytes) -> bytes:
        """The text of a symbolic link."""
        folder, name = self._parent(path)
        return os.readlink(name, dir_fd=folder)

    def link_file(self, existing: bytes, path: bytes) -> None:
        """Give a file a second name, as a hard link."""
        origin, _, old = existing.rpartition(b"/")
        descriptor = self._descend(origin)
        try:
            folder, name = self._parent(path)
            os.link(old, name, src_dir_fd=descriptor, dst_dir_fd=folder, follow_symlinks=False)
        finally:
            os.close(descriptor)

    def remove(self, path: bytes) -> None:
        """Remove a name that is no folder's, if it is there."""
        folder, name = self._parent(path)
        with contextlib.suppress(FileNotFoundError):
            os.unlink(name, dir_fd=folder)

    def remove_folder(self, path: bytes) -> None:
        """Remove an empty folder."""
        folder, name = self._parent(path)
        os.rmdir(name, dir_fd=folder)

    def flush(self, path: bytes) -> None:
        """Put a file, or the names in a folder, on the medium."""
        is_folder = not path or stat.S_ISDIR(self.status(path).st_mode)
        descriptor = self.open_folder(path) if is_folder else self.open_file(path)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def save(self, path: bytes, data: bytes) -> None:
        """Put `data` at `path` whole or not at all, and durably; what had the name is replaced."""
        folder, name = self._parent(path)
        draft = b".%s.%d.part" % (name, os.getpid())
        neighbour = path[: len(path) - len(name)] + draft
        try:
            with open(self.create_file(neighbour), "wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            os.rename(draft, name, src_dir_fd=folder, dst_dir_fd=folder)
        except OSError:
            with contextlib.suppress(OSError):
                self.remove(neighbour)
            raise
        self.flush(path.rpartition(b"/")[0])

    def _parent(self, path: bytes) -> tuple[int, bytes]:
        """The folder that a path lies in, kept open until another is asked for, and its name in there."""
        folder, _, name = path.rpartition(b"/")
        if name in (b"", b".", b".."):
            raise ValueError(f"{path!r} names nothing beneath a folder")
        if not folder:
            return self.descriptor, name
        if self._nearest is None or self._nearest[0] != folder:
            descriptor = self._descend(folder)
            if self._nearest is not None:
                os.close(self._nearest[1])
            self._nearest = folder, descriptor
        return self._nearest[1], name

    def _descend(self, path: bytes) -> int:
        """A descriptor of a folder beneath, only to start from: it needs no right to list it."""
        descriptor = os.open(".", os.O_PATH | _FOLDER, dir_fd=self.descriptor)
        walked = b""
        for name in path.split(b"/") if path else ():
            walked = walked + b"/" + name if walked else name
            if name in (b"", b".", b".."):
                os.close(descriptor)
                raise ValueError(f"{path!r} names nothing beneath a folder")
            try:
                inner = _open_folder(descriptor, name, os.O_PATH, walked)
            finally:
                os.close(descriptor)
            descriptor = inner
            if os.fstat(descriptor).st_dev != self.device:
                os.close(descriptor)
                raise WrongKind(walked, "on another file system", "a folder of this one")
        return descriptor

    @property
    def _gives(self) -> bool:
        return os.geteuid() == 0 and self.owner[0] != 0

    def _give(self, descriptor: int) -> None:
        if self._gives:
            with contextlib.suppress(OSError):  # FAT and many network shares keep no owners
                os.fchown(descriptor, *self.owner)


def _open_folder(parent: int, name: bytes, flags: int, path: bytes) -> int:
    try:
        return os.open(name, flags | _FOLDER, dir_fd=parent)
    except NotADirectoryError as error:
        info = os.stat(name, dir_fd=parent, follow_symlinks=False)
        raise WrongKind(path, kind_of(info), "a folder") from error
