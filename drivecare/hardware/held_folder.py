"""A folder held open, and what lies beneath it, reached without following a link: the machine's side of `Folder`.

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
from typing import Self

from drivecare.hardware.file_abilities import try_abilities
from drivecare.hardware.held_entry import HeldEntry, read_xattrs
from drivecare.storage import close_folder, create_folder, sync_folder
from drivecare.transfer.files.file_system import Abilities, Access, HeldOpen, WrongKind, entry_kind

_BENEATH = os.O_PATH | os.O_NOFOLLOW | os.O_CLOEXEC
_FOLDER = os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_ACCESS: dict[Access, int] = {"read": os.O_RDONLY, "change": os.O_RDWR, "append": os.O_WRONLY | os.O_APPEND}


class HeldFolder(HeldOpen):
    """See `Folder`. Where root works in somebody else's folder, what it makes there becomes that person's."""

    def __init__(self, descriptor: int, path: Path) -> None:
        self.path, self.root = path, os.path.abspath(os.fsencode(path))
        self.device = os.fstat(descriptor).st_dev
        self.descriptor = descriptor
        self._nearest: tuple[bytes, int] | None = None

    @classmethod
    def hold(cls, path: Path, *, follow: bool = False) -> Self:
        flags = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC
        try:
            return cls(os.open(path, flags if follow else flags | os.O_NOFOLLOW), path)
        except NotADirectoryError as error:
            raise WrongKind(os.fsencode(path), entry_kind(os.lstat(path)), "a folder") from error

    def close(self) -> None:
        if self._nearest is not None:
            os.close(self._nearest[1])
            self._nearest = None
        os.close(self.descriptor)

    @property
    def anchor(self) -> Path:
        """A path to this very folder, whatever its name leads to by now."""
        return Path(f"/proc/self/fd/{self.descriptor}")

    @property
    def info(self) -> os.stat_result:
        return os.fstat(self.descriptor)

    @property
    def is_attached(self) -> bool:
        major, minor = os.major(self.device), os.minor(self.device)
        return major == 0 or os.path.exists(f"/sys/dev/block/{major}:{minor}")

    @property
    def keeps_owners(self) -> bool:
        return os.geteuid() == 0 and self.info.st_uid == 0

    def abilities(self, characters: set[str], *, file_system: str | None) -> Abilities:
        return try_abilities(self.anchor, characters, file_system=file_system)

    def close_to_others(self) -> None:
        close_folder(self.descriptor)

    def status(self, path: bytes) -> os.stat_result:
        folder, name = self._parent(path)
        return os.stat(name, dir_fd=folder, follow_symlinks=False)

    def names(self, path: bytes) -> list[bytes]:
        with self.open_folder(path) as folder:
            return sorted(map(os.fsencode, os.listdir(folder.descriptor)))

    def walk(self, top: bytes) -> Iterator[tuple[bytes, os.stat_result | OSError]]:
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
        folder, name = self._parent(path)
        return read_xattrs(os.path.join(b"/proc/self/fd/%d" % folder, name))

    def read_link(self, path: bytes) -> bytes:
        folder, name = self._parent(path)
        return os.readlink(name, dir_fd=folder)

    def resolve_link(self, path: bytes) -> bytes:
        root = os.path.realpath(self.root)
        return os.path.relpath(os.path.realpath(os.path.join(root, path)), root)

    def read_file(self, path: bytes, *, limit_bytes: int) -> bytes:
        with open(self._open_file(path, os.O_RDONLY), "rb") as stream:
            if os.fstat(stream.fileno()).st_size > limit_bytes:
                raise OSError(errno.EFBIG, os.strerror(errno.EFBIG))
            return stream.read()

    def open_file(self, path: bytes, access: Access = "read") -> HeldEntry:
        """Open a regular file; where we may, reading leaves no trace in its times."""
        if access == "read":
            with contextlib.suppress(PermissionError):  # O_NOATIME is for the owner only
                return HeldEntry(self._open_file(path, os.O_RDONLY | os.O_NOATIME))
        return HeldEntry(self._open_file(path, _ACCESS[access]))

    def open_folder(self, path: bytes) -> HeldEntry:
        if not path:
            return HeldEntry(os.open(".", os.O_RDONLY | _FOLDER, dir_fd=self.descriptor))
        folder, name = self._parent(path)
        return HeldEntry(_open_folder(folder, name, os.O_RDONLY, path))

    def create_file(self, path: bytes) -> HeldEntry:
        folder, name = self._parent(path)
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
        descriptor = os.open(name, flags, 0o600, dir_fd=folder)
        self._give(descriptor)
        return HeldEntry(descriptor)

    def make_folder(self, path: bytes) -> None:
        folder, name = self._parent(path)
        with contextlib.suppress(FileExistsError):
            os.mkdir(name, 0o700, dir_fd=folder)
        with self.open_folder(path) as opened:
            opened.set_mode(0o700)
            self._give(opened.descriptor)

    def make_link(self, target: bytes, path: bytes) -> None:
        """Put a symbolic link at `path`."""
        folder, name = self._parent(path)
        os.symlink(target, name, dir_fd=folder)
        if self._gives:
            with contextlib.suppress(OSError):
                os.chown(name, *self._owner, dir_fd=folder, follow_symlinks=False)

    def link_file(self, existing: bytes, path: bytes) -> None:
        origin, _, old_name = existing.rpartition(b"/")
        descriptor = self._descend(origin)
        try:
            folder, name = self._parent(path)
            os.link(old_name, name, src_dir_fd=descriptor, dst_dir_fd=folder, follow_symlinks=False)
        finally:
            os.close(descriptor)

    def save(self, path: bytes, content: bytes) -> None:
        folder, name = self._parent(path)
        draft = b".%s.%d.part" % (name, os.getpid())
        neighbour = path[: len(path) - len(name)] + draft
        try:
            with self.create_file(neighbour) as file:
                file.append(content)
                file.flush()
            os.rename(draft, name, src_dir_fd=folder, dst_dir_fd=folder)
        except OSError:
            with contextlib.suppress(OSError):
                self.remove(neighbour)
            raise
        self.flush(path.rpartition(b"/")[0])

    def remove(self, path: bytes) -> None:
        folder, name = self._parent(path)
        with contextlib.suppress(FileNotFoundError):
            os.unlink(name, dir_fd=folder)

    def remove_folder(self, path: bytes) -> None:
        folder, name = self._parent(path)
        os.rmdir(name, dir_fd=folder)

    def flush(self, path: bytes) -> None:
        is_folder = not path or stat.S_ISDIR(self.status(path).st_mode)
        with self.open_folder(path) if is_folder else self.open_file(path) as entry:
            entry.flush()

    def _open_file(self, path: bytes, flags: int) -> int:
        """A descriptor of a regular file: looked at by O_PATH first, which opens nothing, then opened by that."""
        folder, name = self._parent(path)
        glimpse = os.open(name, _BENEATH, dir_fd=folder)
        try:
            info = os.fstat(glimpse)
            if not stat.S_ISREG(info.st_mode):
                raise WrongKind(path, entry_kind(info), "a file")
            return os.open(f"/proc/self/fd/{glimpse}", flags | os.O_CLOEXEC)
        finally:
            os.close(glimpse)

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
    def _owner(self) -> tuple[int, int]:
        return self.info.st_uid, self.info.st_gid

    @property
    def _gives(self) -> bool:
        return os.geteuid() == 0 and self._owner[0] != 0

    def _give(self, descriptor: int) -> None:
        if self._gives:
            with contextlib.suppress(OSError):  # FAT and many network shares keep no owners
                os.fchown(descriptor, *self._owner)


def _open_folder(parent: int, name: bytes, flags: int, path: bytes) -> int:
    try:
        return os.open(name, flags | _FOLDER, dir_fd=parent)
    except NotADirectoryError as error:
        info = os.stat(name, dir_fd=parent, follow_symlinks=False)
        raise WrongKind(path, entry_kind(info), "a folder") from error


class LocalFileSystem:
    """See `FileSystem`."""

    def hold(self, path: Path, *, follow: bool = False) -> HeldFolder:
        return HeldFolder.hold(path, follow=follow)

    def resolve(self, path: Path) -> Path:
        return path.resolve()

    def missing_folders(self, path: Path) -> list[Path]:
        return [folder for folder in reversed((path, *path.parents)) if not os.path.lexists(folder)]

    def make_folder(self, path: Path) -> None:
        create_folder(path)

    def remove_folder(self, path: Path) -> None:
        with contextlib.suppress(OSError):
            path.rmdir()
        sync_folder(path.parent)
