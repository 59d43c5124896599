"""HFS+ and HFSX. Layouts: Apple Technical Note TN1150. All numbers are big-endian."""

from __future__ import annotations

import stat
import struct
from collections.abc import Iterator
from typing import Any

import pyfshfs

from drivecare.contents.attribution import Attribution, Owner
from drivecare.contents.readers.tree import Reader, Stream, extents_of, runs_of_zero_bits
from drivecare.contents.window import Window
from drivecare.transfer.areas import Area
from drivecare.transfer.holds import HoldKind

_UNMOUNTED = 0x100
_PRIVATE = "\u2400" * 4 + "HFS+ Private Data"  # TN1150, "Hard Links"; the library shows its four NUL letters so
_NAMELESS = "(it has several names, which are not known)"
_FORKS = {112: "record of free space", 192: "list of further extents", 272: "catalog", 352: "table of attributes"}
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
        """The library follows the links of today's systems, not those of older ones, whose content has no name then."""
        super().survey(attribution)
        if attribution and self._private is not None:
            for _, content in super().children(self._private):
                self.claim(attribution, content, None, "file", structure=_NAMELESS)

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
        for at, name in _FORKS.items():
            for extent in self._fork(at):
                attribution.claim(Owner("structure", structure=name), extent)

    def _fork(self, at: int) -> Iterator[Area]:
        """The first eight extents of a fork in the volume header."""
        for start, count in struct.iter_unpack(">II", self._header[at + 16 : at + 80]):
            if count:
                yield Area(offset=start * self.unit_bytes, length=count * self.unit_bytes)

    def free_parts(self, area: Area) -> tuple[Area, ...] | None:
        """By the record of free space, where the volume was unmounted cleanly and the record is in one piece."""
        bitmap = next(self._fork(112), None)
        clean = struct.unpack_from(">I", self._header, 4)[0] & _UNMOUNTED
        if not clean or bitmap is None or bitmap.length * 8 < self._blocks:
            return None
        unit = self.unit_bytes
        first, last = area.offset // unit, min((area.end - 1) // unit, self._blocks - 1)
        if first > last:
            return ()
        bits = self.window.at(bitmap.offset + first // 8, last // 8 - first // 8 + 1).translate(_MIRRORED)
        return tuple(runs_of_zero_bits(bits, first, last, unit, 0))


open_volume = HfsReader
