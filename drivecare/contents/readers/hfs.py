"""HFS+ and HFSX. Layouts: Apple Technical Note TN1150. All numbers are big-endian."""

from __future__ import annotations

import stat
import struct
from collections.abc import Iterator, Sequence
from contextlib import suppress
from functools import cached_property
from itertools import islice
from typing import Any

import pyfshfs

from drivecare.contents.attribution import Attribution, Owner
from drivecare.contents.readers.tree import DEEPEST, Reader, Stream, extents_of, name_of, runs_of_zero_bits
from drivecare.contents.window import Window
from drivecare.transfer.areas import Area
from drivecare.transfer.holds import HoldKind

_UNMOUNTED = 0x100
_ROOT = 2
_MOST_NODES = 1 << 20  # of a tree: 8 GiB of the largest that are usual
_PRIVATE = "\u2400" * 4 + "HFS+ Private Data"  # TN1150, "Hard Links"; the library shows its four NUL letters so
_NAMELESS = "(it has several names, which are not known)"
_LINK, _OF_TODAY = b"hlnkhfs+", 0x20  # type and creator of a file that links, and the flag that the library follows
_FURTHER, _CATALOG = 192, 272
_FORKS = {
    112: "record of free space",
    _FURTHER: "list of further extents",
    _CATALOG: "catalog",
    352: "table of attributes",
}
_FORK_OF_FILE = {6: 112, 4: _CATALOG, 8: 352}  # the numbers of these files in the list of further extents
_MIRRORED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))  # here the highest bit is the first block


class HfsReader(Reader):
    """HFS+ or HFSX."""

    def __init__(self, window: Window) -> None:
        super().__init__(window)
        self._header = window.at(1024, 512)
        self.unit_bytes, self._blocks, free = struct.unpack_from(">3I", self._header, 40)
        if self.unit_bytes < 512 or self.unit_bytes & (self.unit_bytes - 1):
            raise OSError("its volume header makes no sense")
        self.file_system = "HFS+" if self._header[:2] == b"H+" else "HFSX"
        self.free_bytes = free * self.unit_bytes
        self.used_bytes = max(0, self._blocks - free) * self.unit_bytes
        self._volume = pyfshfs.volume()
        self._private: Any = None

    def open(self) -> None:
        """Have the library read it."""
        self._volume.open_file_object(self.window)
        self.label = self._volume.name or None

    def kind(self, entry: Any) -> HoldKind | None:
        """By the mode, which files of old systems lack."""
        if stat.S_IFMT(entry.file_mode or 0):
            return super().kind(entry)
        return "directory" if entry.number_of_sub_file_entries else "file"

    def identity(self, entry: Any) -> int:
        """The catalog's number; all names of a file share the one they link to."""
        return int(entry.identifier)

    def children(self, entry: Any) -> Iterator[tuple[str, Any]]:
        """The entries of a folder, without the folder where the contents of files with several names are."""
        for name, child in super().children(entry):
            if name == _PRIVATE:
                self._private = child
            else:
                yield name, child

    def survey(self, attribution: Attribution) -> None:
        """The library follows the links of today's systems; those of older ones are looked up in the catalog."""
        super().survey(attribution)
        if attribution and self._private is not None:
            links = self._links()
            for name, content in super().children(self._private):
                path = self._path_of(links.get(name))
                self.claim(attribution, content, path, "file", structure=None if path else _NAMELESS)

    def _links(self) -> dict[str, int]:
        """The catalog's number of one name of each linked content, by what that is called in its own folder."""
        catalog = [extent for at, extent in self._extents if at == _CATALOG]
        links: dict[str, int] = {}
        for node, at in self._records(catalog):
            record = at + 2 + int.from_bytes(node[at : at + 2], "big")
            if node[record + 48 : record + 56] == _LINK and not node[record + 3] & _OF_TODAY:
                link, content = struct.unpack_from(">I32xI", node, record + 8)
                links.setdefault(f"iNode{content}", link)
        return links

    def _path_of(self, number: int | None) -> str | None:
        """The path of the entry that has this number in the catalog."""
        names: list[str] = []
        with suppress(OSError, UnicodeError, AttributeError):  # of a number that is nobody's there is None
            while number is not None and number != _ROOT and len(names) < DEEPEST:
                entry = self._volume.get_file_entry_by_identifier(number)
                names.append(name_of(entry))
                number = entry.parent_identifier
        return "/" + "/".join(reversed(names)) if number == _ROOT else None

    def streams(self, entry: Any, kind: HoldKind | None) -> Iterator[Stream]:
        """The data fork and the resource fork; folders lie in the catalog."""
        if kind != "directory":
            yield Stream("", entry.size, extents_of(entry))
            if entry.has_resource_fork():
                fork = entry.get_resource_fork()
                yield Stream(" (resource fork)", fork.size, extents_of(fork))

    def claim_structures(self, attribution: Attribution) -> None:
        """The volume header and its spare, and the files that keep the file system."""
        header, unit, size = Owner("structure", structure="volume header"), self.unit_bytes, self.window.size_bytes
        attribution.claim(header, Area.between(0, -(-1536 // unit) * unit))  # in use to the end of its block
        attribution.claim(header, Area.between(max(0, size - 1024) // unit * unit, size))
        for at, extent in self._extents:
            attribution.claim(Owner("structure", structure=_FORKS[at]), extent)

    @cached_property
    def _extents(self) -> tuple[tuple[int, Area], ...]:
        """All extents of the files that keep the file system, each with where its fork stands in the volume header."""
        return (*((at, extent) for at in _FORKS for extent in self._fork(at)), *self._further_extents())

    def _fork(self, at: int) -> Iterator[Area]:
        """The first eight extents of a fork in the volume header."""
        yield from self._eight_extents(self._header[at + 16 : at + 80])

    def _eight_extents(self, record: bytes) -> Iterator[Area]:
        for start, count in struct.iter_unpack(">II", record):
            if count:
                yield Area(offset=start * self.unit_bytes, length=count * self.unit_bytes)

    def _further_extents(self) -> Iterator[tuple[int, Area]]:
        """The extents that have no room in the volume header: those leaves of their list that could be read."""
        tree = tuple(self._fork(_FURTHER))
        for node, at in self._records(tree) if tree else ():
            fork = _FORK_OF_FILE.get(int.from_bytes(node[at + 4 : at + 8], "big"))
            if fork is not None and at + 76 <= len(node):
                yield from ((fork, extent) for extent in self._eight_extents(node[at + 12 : at + 76]))

    def _records(self, tree: Sequence[Area]) -> Iterator[tuple[bytes, int]]:
        """Where each record of a tree's leaves begins, in its node; of those nodes that could be read."""
        try:
            size: int = max(512, struct.unpack_from(">H", self.window.at(tree[0].offset, 512), 32)[0])
        except (OSError, struct.error):
            self.unread += 1
            return
        end = self.window.size_bytes
        places = (offset for extent in tree for offset in range(extent.offset, min(extent.end, end), size))
        for offset in islice(places, _MOST_NODES):
            try:
                node = self.window.at(offset, size)
                yield from ((node, at) for at in _records_of_leaf(node))
            except (OSError, struct.error):
                self.unread += 1

    def is_clean(self) -> bool:
        """By the volume header."""
        return bool(struct.unpack_from(">I", self._header, 4)[0] & _UNMOUNTED)

    def recorded_free(self, area: Area) -> tuple[Area, ...] | None:
        """By the record of free space, where it is in one piece."""
        bitmap = next(self._fork(112), None)
        if bitmap is None or bitmap.length * 8 < self._blocks:
            return None
        unit = self.unit_bytes
        first, last = area.offset // unit, min((area.end - 1) // unit, self._blocks - 1)
        if first > last:
            return ()
        bits = self.window.at(bitmap.offset + first // 8, last // 8 - first // 8 + 1).translate(_MIRRORED)
        return tuple(runs_of_zero_bits(bits, first, last, unit, 0))


def _records_of_leaf(node: bytes) -> Iterator[int]:
    """Where the records of a node begin; none where it is no leaf."""
    if node[8:9] == b"\xff":
        for number in range(1, struct.unpack_from(">H", node, 10)[0] + 1):
            yield struct.unpack_from(">H", node, len(node) - 2 * number)[0]


open_volume = HfsReader
