"""Which partition an area lies in: the tables of MBR and GPT, read from the first bytes of a medium.

Layouts: UEFI Specification 2.10, sections 5.2 (MBR) and 5.3 (GPT). The chain of logical partitions inside an extended
one is in no standard; it is read as the kernel does (block/partitions/msdos.c), and held against sfdisk by a test.
"""

from __future__ import annotations

import struct
import uuid
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from drivecare.transfer.areas import Area, overlap
from drivecare.transfer.sectors.receipt import Note, PartitionEntry

# Reads (offset, length) of a medium; fewer bytes, or none, where it cannot.
ReadAt = Callable[[int, int], bytes]

_MOST_ENTRIES = 1024
_PROTECTIVE = 0xEE
_EXTENDED = (0x05, 0x0F, 0x85)
_MOST_LOGICAL = 100  # a damaged chain may run in a circle


@dataclass(frozen=True, slots=True)
class PartitionTable:
    """A partition table: its kind, its entries, the sector size it counts in and, for GPT, where its backup lies."""

    partitions: tuple[PartitionEntry, ...]
    kind: str | None = None
    sector_bytes: int | None = None
    backup_lba: int | None = None


def read_partition_table(
    read: ReadAt, size_bytes: int = 0, sector_sizes: tuple[int, ...] = (512, 4096)
) -> PartitionTable:
    """Read the table of a medium; an empty one where there is none. GPT before MBR; the sector size is tried.

    Where its first sectors are damaged, a GPT is taken from its backup at the end of `size_bytes`.
    """
    for sector in sector_sizes:
        table = _read_gpt(read, sector, 1) or _read_gpt(read, sector, size_bytes // sector - 1)
        if table is not None:
            return table
    return _read_mbr(read, sector_sizes[0])


def _read_gpt(read: ReadAt, sector: int, lba: int) -> PartitionTable | None:
    if lba < 1:
        return None
    start = read(lba * sector, 92)
    if len(start) < 92 or start[:8] != b"EFI PART":
        return None
    size, checksum = struct.unpack_from("<II", start, 12)
    if not 92 <= size <= sector:
        return None
    header = bytearray(read(lba * sector, size))
    header[16:20] = bytes(4)
    if zlib.crc32(header) != checksum:
        return None
    alternate_lba, entries_lba = struct.unpack_from("<Q", header, 32)[0], struct.unpack_from("<Q", header, 72)[0]
    count, entry_bytes = struct.unpack_from("<II", header, 80)
    if not 128 <= entry_bytes <= 4096 or count > _MOST_ENTRIES:
        return None
    entries = read(entries_lba * sector, count * entry_bytes)
    partitions = (
        _gpt_entry(index + 1, entries[index * entry_bytes : (index + 1) * entry_bytes], sector)
        for index in range(len(entries) // entry_bytes)
    )
    backup_lba = alternate_lba if lba == 1 else lba
    return PartitionTable(tuple(entry for entry in partitions if entry is not None), "gpt", sector, backup_lba)


def _gpt_entry(number: int, entry: bytes, sector: int) -> PartitionEntry | None:
    kind = uuid.UUID(bytes_le=entry[:16])
    first, last = struct.unpack_from("<QQ", entry, 32)
    if not kind.int or last < first:
        return None
    name = entry[56:128].decode("utf-16-le", "replace").partition("\0")[0]
    return PartitionEntry(
        number=number,
        table="gpt",
        type=str(kind),
        name=name or None,
        offset=first * sector,
        length=(last - first + 1) * sector,
    )


def _read_mbr(read: ReadAt, sector: int) -> PartitionTable:
    block = read(0, 512)
    if len(block) < 512 or block[510:] != b"\x55\xaa":
        return PartitionTable(())
    primary = []
    for number in range(1, 5):
        entry = _mbr_entry(number, block, 430 + 16 * number, 0, sector)
        if block[430 + 16 * number] not in (0x00, 0x80):
            return PartitionTable(())  # not a table: a file system's boot sector ends in 55 AA, too
        if entry is not None and entry.type != f"{_PROTECTIVE:02x}":
            primary.append(entry)
    logical = [
        entry
        for partition in primary
        if holds_logical(partition)
        for entry in _logical_partitions(read, partition.offset // sector, sector)
    ]
    partitions = (*primary, *logical)
    return PartitionTable(partitions, "mbr" if partitions else None, sector if partitions else None)


def _mbr_entry(number: int, block: bytes, at: int, base: int, sector: int) -> PartitionEntry | None:
    """The entry `at` bytes into a block, its first sector counted from `base`; None where it is empty."""
    kind = block[at + 4]
    first, count = struct.unpack_from("<II", block, at + 8)
    if not kind or not count:
        return None
    return PartitionEntry(
        number=number, table="mbr", type=f"{kind:02x}", offset=(base + first) * sector, length=count * sector
    )


def _logical_partitions(read: ReadAt, extended: int, sector: int) -> Iterator[PartitionEntry]:
    """Follow a chain of blocks, each with one partition and a link to the next block, counted from `extended`."""
    lba = extended
    for number in range(5, 5 + _MOST_LOGICAL):
        block = read(lba * sector, 512)
        if len(block) < 512 or block[510:] != b"\x55\xaa":
            return  # it could not be read, or is damaged: the extended partition is still named as a whole
        partition = _mbr_entry(number, block, 446, lba, sector)
        if partition is not None:
            yield partition
        link = _mbr_entry(0, block, 462, extended, sector)
        if link is None or not holds_logical(link):
            return
        lba = link.offset // sector


def partition_names_at(partitions: Iterable[PartitionEntry], area: Area) -> tuple[str, ...]:
    """Name what an area touches: "partition 2 (Recovery)" for each, or "outside any partition"."""
    touched = [entry for entry in partitions if overlap(entry, area) is not None]
    inner = [entry for entry in touched if not holds_logical(entry)]  # an extended partition only holds others
    names = tuple(
        f"partition {entry.number}" + (f" ({entry.name})" if entry.name else "") for entry in inner or touched
    )
    return names or ("outside any partition",)


def displaced_backup(table: PartitionTable, copied_bytes: int, target_bytes: int) -> tuple[Note, ...]:
    """Note that the backup of a copied GPT no longer lies at the end of its medium, where that is so."""
    if table.kind != "gpt" or table.backup_lba is None or table.sector_bytes is None or target_bytes <= copied_bytes:
        return ()
    note = Note(
        code="gpt-backup-displaced",
        text=f"The backup of the partition table (GPT) was copied to LBA {table.backup_lba:,}; on the larger target it "
        "should lie in the last sector. The unit or a partition editor moves it there; until then some firmware "
        "reports a damaged backup.",
    )
    return (note,)


def holds_logical(entry: PartitionEntry) -> bool:
    """Whether it is an extended partition, which only holds others."""
    return entry.table == "mbr" and int(entry.type, 16) in _EXTENDED
