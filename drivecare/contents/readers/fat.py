"""FAT12, FAT16, FAT32 and exFAT. Layouts: FAT specification 1.03 (Microsoft, 2000); exFAT specification (2019)."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from contextlib import suppress
from typing import Any

import pyfsfat

from drivecare.contents.attribution import Attribution, Owner
from drivecare.contents.readers.fat_deleted import DeletedEntry, deleted_in_exfat, deleted_in_fat
from drivecare.contents.readers.tree import Reader, Stream, extents_of, runs_of_zero_bits
from drivecare.contents.window import Window
from drivecare.transfer.areas import Area, total
from drivecare.transfer.holds import HoldKind

_DIRECTORY = 0x10
_MOST_CLUSTERS_OF_A_FOLDER = 65536  # of 2 MiB in entries of 32 bytes, which FAT limits to 65,536 entries
_MOST_FOLDER_BYTES = 64 << 20  # of one that is looked through for deleted files
_DEEPEST_DELETED = 40  # names in the path of a deleted folder that is still looked through
_EXFAT_DIRTY = 0x2
_MOST_BITS = 8 << 20  # of the record of free space at once


class FatReader(Reader):
    """FAT12, FAT16 or FAT32; exFAT has its own space record, see ExfatReader."""

    def __init__(self, window: Window) -> None:
        super().__init__(window)
        self._boot = window.at(0, 512)
        self._data_at: int
        self._read_layout()
        if self._keeps_two_tables():
            self.window.keeps_twice(Area(offset=self._tables_at, length=self._table_bytes), self._table_bytes)
        self._count_space()
        self._volume = pyfsfat.volume()
        self._deleted_folders: set[int] = set()  # the first clusters of those that were looked through

    def _read_layout(self) -> None:
        sector, per_cluster, reserved, tables, roots, few, _, short = struct.unpack_from("<HBHBHHBH", self._boot, 11)
        many, long_table = struct.unpack_from("<II", self._boot, 32)
        sectors, table_sectors = few or many, short or long_table
        if not sector or not per_cluster or not tables:
            raise OSError("its boot sector makes no sense")
        self._tables_at, self._table_bytes = reserved * sector, table_sectors * sector
        self._root_at = self._tables_at + tables * self._table_bytes
        self._data_at = self._root_at + -(-roots * 32 // sector) * sector
        self.unit_bytes = sector * per_cluster
        self._clusters = max(0, (sectors * sector - self._data_at) // self.unit_bytes)
        # FAT specification, page 14: the number of clusters alone decides which of the three it is.
        self._bits = 12 if self._clusters < 4085 else 16 if self._clusters < 65525 else 32
        self._root_cluster = struct.unpack_from("<I", self._boot, 44)[0] if self._bits == 32 else 0
        self.file_system = f"FAT{self._bits}"

    def _keeps_two_tables(self) -> bool:
        """FAT specification, BPB_NumFATs and, on FAT32, BPB_ExtFlags: bit 7 says that only one table is kept up."""
        one_is_kept_up = self._bits == 32 and self._boot[40] & 0x80
        return self._boot[16] > 1 and not one_is_kept_up

    def _count_space(self) -> None:
        try:
            free = sum(not entry for entry in self._entries(2, self._clusters + 1))
        except OSError:
            self.unread += 1
            return
        self.free_bytes = free * self.unit_bytes
        self.used_bytes = (self._clusters - free) * self.unit_bytes

    def _entries(self, first: int, last: int) -> Iterator[int]:
        """What the table says of clusters `first` to `last`. Raises OSError."""
        if self._bits == 12:
            for cluster in range(first, last + 1):
                pair = self.window.at(self._tables_at + cluster * 3 // 2, 2)
                yield int.from_bytes(pair, "little") >> 4 * (cluster & 1) & 0xFFF
            return
        width = self._bits // 8
        for start in range(first, last + 1, 8192):
            count = min(8192, last + 1 - start)
            content = self.window.at(self._tables_at + start * width, count * width)
            if len(content) < count * width:
                raise OSError("the table of clusters ends too early")
            for (entry,) in struct.iter_unpack("<H" if width == 2 else "<I", content):
                yield entry & 0x0FFFFFFF

    def kind(self, entry: Any) -> HoldKind | None:
        """By the attribute flags; the root has none."""
        try:
            return "directory" if entry.file_attribute_flags & _DIRECTORY else "file"
        except (OSError, TypeError):
            return "directory"

    def identity(self, entry: Any) -> int:
        """Where its entry of 32 bytes lies, which is what identifies it; the root has none."""
        try:
            return int(entry.identifier)
        except (OSError, TypeError):
            return 0

    def streams(self, entry: Any, kind: HoldKind | None) -> Iterator[Stream]:
        """The content. Of a folder the library tells none, so that its clusters are followed in the table."""
        if kind == "directory":
            yield Stream("", 0, tuple(self._folder_extents(entry)))
        else:
            yield Stream("", entry.size, extents_of(entry))

    def _folder_extents(self, entry: Any) -> Iterator[tuple[int, int, int]]:
        cluster = self._root_cluster
        if place := self.identity(entry):
            try:
                short = self.window.at(place, 32)
            except OSError:
                return
            cluster = self._cluster_of(short)
        yield from self._chain(cluster)

    def _cluster_of(self, entry: bytes) -> int:
        """The first cluster of what an entry names."""
        high, low = struct.unpack_from("<H4xH", entry, 20)
        return int(high << 16 | low if self._bits == 32 else low)

    def _chain(self, cluster: int) -> Iterator[tuple[int, int, int]]:
        """The clusters that follow each other in the table, from this one on."""
        try:
            yield from ((place.offset, place.length, 0) for place in self._linked(cluster, _MOST_CLUSTERS_OF_A_FOLDER))
        except OSError:
            self.unread += 1

    def _linked(self, cluster: int, most: int) -> Iterator[Area]:
        """At most so many clusters that follow each other in the table. Raises OSError."""
        for _ in range(most):
            if not 2 <= cluster < self._clusters + 2:
                return
            yield self._place(cluster)
            cluster = next(self._entries(cluster, cluster))

    def _place(self, cluster: int, count: int = 1) -> Area:
        """Where so many clusters lie that follow one another."""
        return Area(offset=self._data_at + (cluster - 2) * self.unit_bytes, length=count * self.unit_bytes)

    def claim(
        self,
        attribution: Attribution,
        entry: Any,
        path: str | None,
        kind: HoldKind | None,
        *,
        structure: str | None = None,
    ) -> None:
        """Claim every extent of an entry for it; of a folder also what it still tells of deleted files."""
        super().claim(attribution, entry, path, kind, structure=structure)
        if kind == "directory":
            places = [Area(offset=offset, length=length) for offset, length, _ in self._folder_extents(entry)]
            if not places and not self.identity(entry):
                places = [Area.between(self._root_at, self._data_at)]
            with suppress(OSError, struct.error):  # nothing depends on it
                self._claim_deleted(attribution, self._content(places), (path or "").rstrip("/"))

    def _content(self, places: Sequence[Area]) -> bytes:
        """The bytes of a folder; those that did not come across are none of its entries. None of one too large."""
        parts = []
        for place in places if total(places) <= _MOST_FOLDER_BYTES else ():
            try:
                parts.append(self.window.at(place.offset, place.length))
            except OSError:
                parts.append(b"\xff" * place.length)
        return b"".join(parts)

    def _claim_deleted(
        self, attribution: Attribution, content: bytes, path: str, folder: DeletedEntry | None = None
    ) -> None:
        """What a folder tells of deleted files, and the deleted folders in it; `folder` is given for such a one."""
        for entry in self._deleted_entries(content, folder):
            places, name = tuple(self._places_of_deleted(entry)), f"{path}/{entry.name}"
            if not entry.is_folder:
                owner = Owner("deleted", name, entry.size_bytes)
                for place in places:
                    attribution.claim_deleted(owner, place)
            elif entry.cluster not in self._deleted_folders and name.count("/") < _DEEPEST_DELETED:
                self._deleted_folders.add(entry.cluster)
                if all(self.free_parts(place) for place in places):  # else others use what was the folder's
                    self._claim_deleted(attribution, self._content(places), name, entry)

    def _deleted_entries(self, content: bytes, folder: DeletedEntry | None) -> Iterator[DeletedEntry]:
        """A deleted folder begins with an entry for itself (FAT specification, page 26); what replaced it does not."""
        own = content[:11] == b".".ljust(11) and folder is not None and self._cluster_of(content) == folder.cluster
        if folder is None or own:
            yield from deleted_in_fat(content, folder_deleted=own)

    def _places_of_deleted(self, entry: DeletedEntry) -> Iterator[Area]:
        """Where it began. Some systems clear the upper half of that number in FAT32 (from memory)."""
        cluster = entry.cluster if self._bits == 32 else entry.cluster & 0xFFFF
        if 2 <= cluster < self._clusters + 2 and (cluster > 0xFFFF or self._clusters <= 0xFFFF):
            yield self._place(cluster)

    def claim_structures(self, attribution: Attribution) -> None:
        """The boot sectors, the tables of clusters, and the root directory where it has a place of its own."""
        attribution.claim(Owner("structure", structure="boot sector"), Area.between(0, self._tables_at))
        table = Area.between(self._tables_at, self._root_at)
        attribution.claim(Owner("structure", structure="table of clusters"), table)
        if self._data_at > self._root_at:
            attribution.claim(Owner("directory", "/"), Area.between(self._root_at, self._data_at))

    def recorded_free(self, area: Area) -> tuple[Area, ...] | None:
        """By the table of clusters."""
        unit = self.unit_bytes
        first = max(0, (area.offset - self._data_at) // unit) + 2
        last = min((area.end - 1 - self._data_at) // unit + 2, self._clusters + 1)
        return tuple(
            Area(offset=self._data_at + (cluster - 2) * unit, length=unit)
            for cluster, entry in enumerate(self._entries(first, last), first)
            if entry == 0
        )

    def is_clean(self) -> bool:
        """FAT specification, page 17: a bit of the second entry is cleared while it is mounted for writing."""
        if self._bits == 12:
            return True  # it keeps no such bit
        (entry,) = self._entries(1, 1)
        return bool(entry & (0x8000 if self._bits == 16 else 0x08000000))


class ExfatReader(FatReader):
    """exFAT, whose free space is in a bitmap."""

    def _read_layout(self) -> None:
        table, table_sectors, heap, self._clusters, self._root_cluster = struct.unpack_from("<5I", self._boot, 80)
        flags, sector_shift, cluster_shift, tables = struct.unpack_from("<HBBB", self._boot, 106)
        if not 9 <= sector_shift <= 12 or cluster_shift > 25 - sector_shift or tables not in (1, 2):
            raise OSError("its boot sector makes no sense")
        sector = 1 << sector_shift
        self._tables_at, self._table_bytes = table * sector, table_sectors * sector
        self._root_at = self._data_at = heap * sector
        self.unit_bytes = sector << cluster_shift
        self._bits, self._dirty = 32, bool(flags & _EXFAT_DIRTY)
        self.file_system = "exFAT"
        self._bitmap_at = 0

    def _keeps_two_tables(self) -> bool:
        """Where exFAT has two, each belongs to a bitmap of its own (exFAT specification, section 4)."""
        return False

    def _count_space(self) -> None:
        try:
            self._bitmap_at = self._find_bitmap()
            used = sum(self._used_in(range(start, self._clusters)) for start in range(0, self._clusters, _MOST_BITS))
        except OSError:
            self.unread += 1
            return
        self.used_bytes = used * self.unit_bytes
        self.free_bytes = (self._clusters - used) * self.unit_bytes

    def _used_in(self, clusters: range) -> int:
        """How many of the first of these clusters the bitmap has as used. Raises OSError."""
        count = min(len(clusters), _MOST_BITS)
        bits = self.window.at(self._bitmap_at + clusters.start // 8, -(-count // 8))
        if len(bits) * 8 < count:
            raise OSError("the record of free space ends too early")
        return (int.from_bytes(bits, "little") & (1 << count) - 1).bit_count()

    def _find_bitmap(self) -> int:
        """Where the bitmap begins, by its entry in the root directory (exFAT specification, section 7.1)."""
        for offset, length, _ in self._chain(self._root_cluster):
            content = self.window.at(offset, length)
            for at in range(0, len(content), 32):
                if content[at] == 0x81:
                    cluster: int = struct.unpack_from("<I", content, at + 20)[0]
                    if 2 <= cluster < self._clusters + 2:
                        return self._data_at + (cluster - 2) * self.unit_bytes
        raise OSError("it has no record of free space")

    def _folder_extents(self, entry: Any) -> Iterator[tuple[int, int, int]]:
        yield from extents_of(entry) if self.identity(entry) else self._chain(self._root_cluster)

    def _deleted_entries(self, content: bytes, folder: DeletedEntry | None) -> Iterator[DeletedEntry]:  # noqa: ARG002
        """The checksum of an entry tells whether it is one still, in a deleted folder, too."""
        return deleted_in_exfat(content)

    def _places_of_deleted(self, entry: DeletedEntry) -> Iterator[Area]:
        """All of it where it was in one piece; else its chain, as far as the table still has it."""
        clusters = min(-(-entry.size_bytes // self.unit_bytes), self._clusters)
        if not entry.in_one_piece:
            yield from self._linked(entry.cluster, clusters)
        elif 2 <= entry.cluster < self._clusters + 2:
            yield self._place(entry.cluster, clusters)

    def claim_structures(self, attribution: Attribution) -> None:
        """The boot sectors, the tables of clusters, and the bitmap."""
        super().claim_structures(attribution)
        if self._bitmap_at:
            bitmap = Area(offset=self._bitmap_at, length=-(-self._clusters // 8))
            attribution.claim(Owner("structure", structure="record of free space"), bitmap)

    def is_clean(self) -> bool:
        """By the flags of the boot sector."""
        return not self._dirty

    def recorded_free(self, area: Area) -> tuple[Area, ...] | None:
        """By the bitmap."""
        if not self._bitmap_at:
            return None
        unit = self.unit_bytes
        first = max(0, (area.offset - self._data_at) // unit)
        last = min((area.end - 1 - self._data_at) // unit, self._clusters - 1)
        if first > last:
            return ()
        bits = self.window.at(self._bitmap_at + first // 8, last // 8 - first // 8 + 1)
        return tuple(runs_of_zero_bits(bits, first, last, unit, self._data_at))


def open_volume(window: Window) -> FatReader:
    """The reader of whichever of the four it is."""
    return (ExfatReader if window.at(3, 8) == b"EXFAT   " else FatReader)(window)
