"""What every reader does alike: walk the tree of names, count, and claim the areas that somebody asked about.

The libraries are of one family: an entry has sub-entries, a size and extents (offset, length, flags) from the
partition's start. An entry that raises OSError could not be read, or makes no sense.
"""

from __future__ import annotations

import stat
import struct
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from drivecare.contents.attribution import Attribution, Owner
from drivecare.contents.window import Window
from drivecare.transfer.areas import Area
from drivecare.transfer.holds import HoldKind

# What a reader raises on structures that make no sense, besides OSError of the libraries.
NONSENSE = (OSError, ValueError, OverflowError, TypeError, ArithmeticError, LookupError, struct.error)
SPARSE = 1  # the flag of an extent that is not stored
DEEPEST = 200  # a damaged tree may run in a circle; paths longer than this many names are not followed
_PATH_LETTERS = 4096


@dataclass(frozen=True, slots=True)
class Stream:
    """A run of content of an entry: its suffix in a path ("" for the content itself), size and extents."""

    suffix: str
    size_bytes: int
    extents: tuple[tuple[int, int, int], ...]


def name_of(entry: Any) -> str:
    """The name of an entry. Raises OSError or UnicodeError."""
    return (entry.name or "").encode("utf-8", "replace").decode()


def extents_of(entry: Any) -> tuple[tuple[int, int, int], ...]:
    """The extents of an entry or data stream; none where it has none of its own."""
    try:
        return tuple(entry.get_extent(index) for index in range(entry.number_of_extents))
    except OSError:
        return ()


class Reader:
    """A file system. The base of one per library; what it does not know stays None.

    It is made from the few bytes that say how the file system is laid out. `open` then has the library read it, which
    fails where more than these are lost.
    """

    _volume: Any  # the library's object

    def __init__(self, window: Window) -> None:
        self.window = window
        self.file_system = ""
        self.unit_bytes = 1  # what the file system gives out; a file's last unit is its own to the end
        self.label: str | None = None
        self.encrypted: bool | None = False
        self.reason: str | None = None
        self.used_bytes: int | None = None
        self.free_bytes: int | None = None
        self.files: int | None = None
        self.folders: int | None = None
        self.unread = 0  # entries and folders that could not be read
        self.on_names: Callable[[int], None] = lambda _: None  # told how many names were walked so far

    # What a file system may do in its own way.

    def open(self) -> None:
        """Have the library read it. Raises OSError."""
        self._volume.open_file_object(self.window)
        self.label = self._volume.label or None

    def roots(self) -> Iterator[tuple[str, Any]]:
        """The folders to begin at, each with its path."""
        root = self._volume.get_root_directory()
        if root is None:
            raise OSError("it has no root folder")
        yield "", root

    def kind(self, entry: Any) -> HoldKind | None:
        """Whether it is a file or a directory, by its mode; None for what is neither, such as a link or a device."""
        mode = entry.file_mode
        return "file" if stat.S_ISREG(mode) else "directory" if stat.S_ISDIR(mode) else None

    def identity(self, entry: Any) -> int:
        """The number of an entry, the same for all its names."""
        return int(entry.inode_number)

    def streams(self, entry: Any, kind: HoldKind | None) -> Iterator[Stream]:  # noqa: ARG002  others need it
        """The content of an entry, and where it lies."""
        yield Stream("", entry.size, extents_of(entry))

    def claim_structures(self, attribution: Attribution) -> None:
        """Claim the areas of the file system's own structures."""

    def is_clean(self) -> bool:
        """Whether the file system was unmounted cleanly, so that its record of free space can be relied on."""
        return False

    def recorded_free(self, area: Area) -> tuple[Area, ...] | None:  # noqa: ARG002  others need it
        """The parts of an area that the file system's own record says are free; None where there is none to read."""
        return None

    # What they share.

    def free_parts(self, area: Area) -> tuple[Area, ...] | None:
        """The parts of an area that are free by a record that can be relied on; None where it cannot."""
        return self.recorded_free(area) if self.is_clean() else None

    def survey(self, attribution: Attribution) -> None:
        """Walk all names; count them, and claim what was asked about."""
        self.files = self.folders = 0
        for path, root in self.roots():
            if attribution:
                self.claim(attribution, root, path or "/", "directory")
            self._walk(path, root, attribution)

    def _walk(self, path: str, root: Any, attribution: Attribution) -> None:
        visited = {self.identity(root)}
        assert self.files is not None
        assert self.folders is not None
        waiting = [(path, root, 0)]
        while waiting:
            folder, entry, depth = waiting.pop()
            self.on_names(self.files + self.folders)
            for name, child in self.children(entry):
                kind = self.kind(child)
                inner = f"{folder}/{name}"
                self.files += kind == "file"
                self.folders += kind == "directory"
                if attribution:
                    self.claim(attribution, child, inner[:_PATH_LETTERS], kind)
                if kind == "directory":
                    number = self.identity(child)
                    if depth < DEEPEST and number not in visited:
                        visited.add(number)
                        waiting.append((inner, child, depth + 1))
                    else:
                        self.unread += 1

    def children(self, entry: Any) -> Iterator[tuple[str, Any]]:
        """The entries of a folder with their names; one that cannot be read is counted as such."""
        try:
            count = entry.number_of_sub_file_entries
        except OSError:
            self.unread += 1
            return
        for index in range(count):
            try:
                child = entry.get_sub_file_entry(index)
                name = name_of(child)
            except (OSError, UnicodeError):
                self.unread += 1
            else:
                yield name, child

    def claim(
        self,
        attribution: Attribution,
        entry: Any,
        path: str | None,
        kind: HoldKind | None,
        *,
        structure: str | None = None,
    ) -> None:
        """Claim every extent of an entry for it. `structure` stands in for the path of one that has none."""
        number = self.identity(entry)
        self.claim_streams(attribution, self.streams(entry, kind), path, kind or "file", number, structure)

    def claim_streams(
        self,
        attribution: Attribution,
        streams: Iterable[Stream],
        path: str | None,
        kind: HoldKind,
        number: int,
        structure: str | None = None,
    ) -> None:
        """Claim the streams of the entry with this number."""
        for stream in streams:
            if not stream.extents:
                continue
            size = stream.size_bytes if kind == "file" else None
            name = None if path is None else path + stream.suffix
            owner = Owner(kind, name, size, structure, identity=hash((number, stream.suffix)))
            position = 0
            for offset, length, flags in stream.extents:
                if not flags & SPARSE and length > 0:
                    content = max(0, stream.size_bytes - position) if kind == "file" else None
                    whole_units = -(-length // self.unit_bytes) * self.unit_bytes
                    attribution.claim(owner, Area(offset=offset, length=whole_units), content)
                position += length


def runs_of_zero_bits(bitmap: bytes, first: int, last: int, unit_bytes: int, base: int) -> Iterator[Area]:
    """The areas of units `first` to `last` whose bit is 0, lowest bit first; unit 0 lies at `base`."""
    start: int | None = None
    for unit in range(first, last + 2):
        free = unit <= last and not bitmap[(unit - first // 8 * 8) >> 3] >> (unit & 7) & 1
        if free and start is None:
            start = unit
        elif not free and start is not None:
            yield Area.between(base + start * unit_bytes, base + unit * unit_bytes)
            start = None
