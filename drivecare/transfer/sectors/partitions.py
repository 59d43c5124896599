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

from drivecare.transfer.areas import Area, area, overlap, pieces
from drivecare.transfer.medium import Buffer, Medium
from drivecare.transfer.sectors.receipt import PartitionEntry
from drivecare.transfer.sectors.whole_transfers import read_fully

# Reads (offset, length) of a medium; fewer bytes, or none, where it cannot.
ReadAt = Callable[[int, int], bytes]

_MOST_ENTRIES = 1024
_PROTECTIVE = 0xEE
_EXTENDED = (0x05, 0x0F, 0x85)
_MOST_LOGICAL = 100  # a damaged chain may run in a circle
_READ_BYTES = 4096


@dataclass(frozen=True, slots=True)
class PartitionTable:
    """A partition table: its kind, its entries, the sector size it counts in and, for GPT, where its backup lies."""

    partitions: tuple[PartitionEntry, ...]
    kind: str | None = None
    sector_bytes: int | None = None
    backup_lba: int | None = None


def read_through(medium: Medium, buffer: Buffer, end: int) -> ReadAt:
    """Reads of a medium's first `end` bytes, whatever their alignment."""

    def read(offset: int, length: int) -> bytes:
        first = offset // _READ_BYTES * _READ_BYTES
        found = b""
        for piece in pieces(area(first, min(offset + length, end)), _READ_BYTES):
            done, error = read_fully(medium, area(piece.offset, min(piece.offset + _READ_BYTES, end)), buffer)
            found += bytes(buffer.view[:done])
            if error is not None:
                break
        return found[offset - first : offset - first + length]

    return read


def read_partition_table(
    read: ReadAt, size_bytes: int = 0, sector_sizes: tuple[int, ...] = (512, 4096)
) -> PartitionTable:
    """The table of a medium; an empty one where there is none. GPT before MBR; the sector size is tried.

    Where its first sectors are damaged, a GPT is taken from its backup at the end of `size_bytes`.
    """
    for sector in sector_sizes:
        table = _gpt(read, sector, 1) or _gpt(read, sector, size_bytes // sector - 1)
        if table is not None:
            return table
    return _mbr(read, sector_sizes[0])


def _gpt(read: ReadAt, sector: int, lba: int) -> PartitionTable | None:
    if lba < 1:
        return None
    header = read(lba * sector, 92)
    if len(header) < 92 or header[:8] != b"EFI PART":
        return None
    size, checksum = struct.unpack_from("<II", header, 12)
    if not 92 <= size <= sector:
        return None
    whole = bytearray(read(lba * sector, size))
    whole[16:20] = bytes(4)
    if zlib.crc32(whole) != checksum:
        return None
    other, first = struct.unpack_from("<Q", header, 32)[0], struct.unpack_from("<Q", header, 72)[0]
    count, entry_bytes = struct.unpack_from("<II", header, 80)
    if not 128 <= entry_bytes <= 4096 or count > _MOST_ENTRIES:
        return None
    entries = read(first * sector, count * entry_bytes)
    found = (
        _gpt_entry(index + 1, entries[index * entry_bytes : (index + 1) * entry_bytes], sector)
        for index in range(len(entries) // entry_bytes)
    )
    return PartitionTable(tuple(one for one in found if one is not None), "gpt", sector, other if lba == 1 else lba)


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


def _mbr(read: ReadAt, sector: int) -> PartitionTable:
    block = read(0, 512)
    if len(block) < 512 or block[510:] != b"\x55\xaa":
        return PartitionTable(())
    found = []
    for number in range(1, 5):
        entry = _mbr_entry(number, block, 430 + 16 * number, 0, sector)
        if block[430 + 16 * number] not in (0x00, 0x80):
            return PartitionTable(())  # not a table: a boot sector of a file system without one ends in 55 AA, too
        if entry is not None and entry.type != f"{_PROTECTIVE:02x}":
            found.append(entry)
    for one in tuple(found):
        if _extended(one):
            found += _logical(read, one.offset // sector, sector)
    return PartitionTable(tuple(found), "mbr" if found else None, sector if found else None)


def _mbr_entry(number: int, block: bytes, at: int, base: int, sector: int) -> PartitionEntry | None:
    """The entry `at` bytes into a block, its first sector counted from `base`; None where it is empty."""
    kind = block[at + 4]
    first, count = struct.unpack_from("<II", block, at + 8)
    if not kind or not count:
        return None
    return PartitionEntry(
        number=number, table="mbr", type=f"{kind:02x}", offset=(base + first) * sector, length=count * sector
    )


def _logical(read: ReadAt, extended: int, sector: int) -> Iterator[PartitionEntry]:
    """Logical partitions: a chain of blocks, each with one partition and where, from `extended` on, the next lies."""
    here = extended
    for number in range(5, 5 + _MOST_LOGICAL):
        block = read(here * sector, 512)
        if len(block) < 512 or block[510:] != b"\x55\xaa":
            return  # it could not be read, or is damaged: the extended partition is still named as a whole
        found = _mbr_entry(number, block, 446, here, sector)
        if found is not None:
            yield found
        link = _mbr_entry(0, block, 462, extended, sector)
        if link is None or not _extended(link):
            return
        here = link.offset // sector


def partition_names_at(partitions: Iterable[PartitionEntry], where: Area) -> tuple[str, ...]:
    """What lies in an area: "partition 2 (Recovery)" for each it touches, "outside any partition" where none does."""
    touched = [one for one in partitions if overlap(one, where) is not None]
    inner = [one for one in touched if not _extended(one)]  # an extended partition only holds others
    names = tuple(
        f"partition {one.number} ({one.name})" if one.name else f"partition {one.number}" for one in inner or touched
    )
    return names or ("outside any partition",)


def _extended(one: PartitionEntry) -> bool:
    return one.table == "mbr" and int(one.type, 16) in _EXTENDED
