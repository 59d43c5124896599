"""The port through which file copies reach the machine: folders held open, what lies in them, what they can keep.

The machine's own is `drivecare/hardware/held_folder.py`. Paths beneath a folder are relative to it, in the file
system's own bytes; errors are OSError.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Literal, Protocol, Self

CacheBypass = Literal["direct", "cache-dropped"]
"""How a file was read past the cache: by reads that bypass it, or after its cached pages were dropped."""

Access = Literal["read", "change", "append"]

_ENTRY_KINDS = {
    stat.S_IFDIR: "a folder",
    stat.S_IFREG: "a file",
    stat.S_IFLNK: "a link",
    stat.S_IFIFO: "a named pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFBLK: "a device",
    stat.S_IFCHR: "a device",
}


def entry_kind(info: os.stat_result) -> str:
    """What a directory entry is, with its article."""
    return _ENTRY_KINDS.get(stat.S_IFMT(info.st_mode), "of an unknown kind")


class WrongKind(OSError):
    """Something other than the file or folder that belongs at `path`; `kind` says what. Nothing of it was read."""

    def __init__(self, path: bytes, kind: str, expected: str) -> None:
        self.path, self.kind = path, kind
        super().__init__(errno.ELOOP, f"{path.decode('utf-8', 'backslashreplace')} is {kind}, not {expected}")


@dataclass(frozen=True, kw_only=True, slots=True)
class Abilities:
    """What a folder's file system can keep, determined by trying."""

    symlinks: bool
    hard_links: bool
    modes: bool
    sparse: bool
    case_sensitive: bool
    longest_name_bytes: int
    largest_file_bytes: int | None
    free_bytes: int
    free_entries: int | None
    unable: frozenset[str] = frozenset()  # characters that no name can hold
    dot_at_end: bool = True  # some silently drop it from a name
    block_bytes: int = 1  # a file takes at least this much, and its size is rounded up to it


class HeldOpen(Protocol):
    """What is held open until it is closed, or for as long as a `with` lasts."""

    def close(self) -> None:
        """Let go of it."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class OpenEntry(HeldOpen, Protocol):
    """A file or a folder, held open. The setters tell whether the file system kept what was set."""

    def status(self) -> os.stat_result:
        """Its status now."""

    def read(self, count: int, offset: int) -> bytes:
        """Up to `count` bytes from `offset`; none at the end."""

    def digest_past_cache(self, advance: Callable[[int], None]) -> tuple[str, CacheBypass]:
        """SHA-256 of a file as its medium returns it; `advance` is told the bytes of each read."""

    def write(self, data: bytes, offset: int) -> None:
        """Write all of `data` at `offset`."""

    def append(self, data: bytes) -> None:
        """Write all of `data` at the end."""

    def set_length(self, length: int) -> None:
        """Cut it off there, or extend it by a hole."""

    def flush(self) -> None:
        """Put it on the medium."""

    def lock(self) -> None:
        """Take it for this process alone. Raises BlockingIOError, whose text says who, where another has it."""

    def attributes(self) -> dict[str, bytes | None]:
        """Extended attributes; None where a value cannot be read."""

    def set_attribute(self, name: str, content: bytes) -> bool:
        """Set an extended attribute."""

    def set_owner(self, uid: int, gid: int) -> bool:
        """Set the user and the group it belongs to."""

    def set_mode(self, mode: int) -> bool:
        """Set its permissions."""

    def set_time(self, mtime_ns: int) -> bool:
        """Set when it was last changed, kept to two seconds, which is as exact as the coarsest file system."""


class Folder(HeldOpen, Protocol):
    """A folder held open, whatever its name leads to by now. Nothing beneath it is reached through a link.

    A folder swapped for a link is WrongKind, and so is another file system mounted beneath.
    """

    path: Path
    root: bytes
    """The absolute path it was opened at."""
    device: int
    """The number of its file system."""

    @property
    def info(self) -> os.stat_result:
        """The folder's own status now."""

    @property
    def is_attached(self) -> bool:
        """Whether the drive below is still there; a file system that stands on none always is."""

    @property
    def keeps_owners(self) -> bool:
        """Whether files made here can be given the owners they had: root can do that, in a folder of its own."""

    def abilities(self, characters: set[str], *, file_system: str | None) -> Abilities:
        """Try out what the file system can keep, leaving no trace. `characters`: those that names will need."""

    def status(self, path: bytes) -> os.stat_result:
        """The status of what lies at `path`, itself."""

    def names(self, path: bytes) -> list[bytes]:
        """The sorted names in a folder."""

    def walk(self, top: bytes) -> Iterator[tuple[bytes, os.stat_result | OSError]]:
        """Everything beneath `top`, folders before their content; where something cannot be examined, the error."""

    def attributes(self, path: bytes) -> dict[str, bytes | None]:
        """Extended attributes of a file or folder, which is not opened; None where a value cannot be read."""

    def read_link(self, path: bytes) -> bytes:
        """The text of a symbolic link."""

    def resolve_link(self, path: bytes) -> bytes:
        """Where a symbolic link leads in the end, relative to this folder; found by reading links alone."""

    def read_file(self, path: bytes, *, limit_bytes: int) -> bytes:
        """The content of a regular file. Raises EFBIG where it is larger than the limit."""

    def open_file(self, path: bytes, access: Access = "read") -> OpenEntry:
        """Open a regular file. Raises WrongKind for anything else, which is not opened."""

    def open_folder(self, path: bytes) -> OpenEntry:
        """Open a folder beneath."""

    def create_file(self, path: bytes) -> OpenEntry:
        """Make a new file for its owner alone, and open it to write. Raises FileExistsError."""

    def make_folder(self, path: bytes) -> None:
        """Make a folder for its owner alone; an existing one becomes so."""

    def make_link(self, target: bytes, path: bytes) -> None:
        """Put a symbolic link at `path`."""

    def link_file(self, existing: bytes, path: bytes) -> None:
        """Give a file a second name, as a hard link."""

    def save(self, path: bytes, content: bytes) -> None:
        """Put `content` at `path` whole or not at all, and durably; what had the name is replaced."""

    def remove(self, path: bytes) -> None:
        """Remove a name that is not a folder's, if it exists."""

    def remove_folder(self, path: bytes) -> None:
        """Remove an empty folder."""

    def flush(self, path: bytes) -> None:
        """Put a file, or the names in a folder, on the medium."""

    def close_to_others(self) -> None:
        """Make the folder itself its owner's alone, as far as the file system and its owner let it be."""


class FileSystem(Protocol):
    """Where folders are made and opened."""

    def hold(self, path: Path, *, follow: bool = False) -> Folder:
        """Open a folder. Raises WrongKind where `path` is anything else: a link, too, unless `follow`."""

    def resolve(self, path: Path) -> Path:
        """The absolute path without links in it."""

    def missing_folders(self, path: Path) -> list[Path]:
        """Those of a folder and its parents that do not exist, outermost first."""

    def make_folder(self, path: Path) -> None:
        """Make a new folder for its owner alone. Raises FileExistsError."""

    def remove_folder(self, path: Path) -> None:
        """Remove a folder durably if it is empty and can be removed: the root of a mounted drive stays."""
