"""Which partition an area lies in: the tables of MBR and GPT, read from the first bytes of a medium.

Layouts: UEFI Specification 2.10, sections 5.2 (MBR) and 5.3 (GPT). Extended partitions of the MBR are named as a whole.
"""

from __future__ import annotations

import struct
import uuid
import zlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from drivecare.transfer.areas import Area, area, overlap, pieces
from drivecare.transfer.port import Buffer, Medium
from drivecare.transfer.receipt import Partition
from drivecare.transfer.transfers import read_fully

# Reads (offset, length) of a medium; fewer bytes, or none, where it cannot.
ReadAt = Callable[[int, int], bytes]

_MOST_ENTRIES = 1024
_PROTECTIVE = 0xEE
_READ_BYTES = 4096


@dataclass(frozen=True, slots=True)
class Table:
    """A partition table: its kind, its entries, the sector size it counts in and, for GPT, where its backup lies."""

    partitions: tuple[Partition, ...]
    kind: str | None = None
    sector_bytes: int | None = None
    backup_lba: int | None = None


def reader_of(medium: Medium, buffer: Buffer, end: int) -> ReadAt:
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


def read_table(read: ReadAt, sector_sizes: Iterable[int] = (512, 4096)) -> Table:
    """The table of a medium; an empty one where there is none. GPT before MBR; the sector size is tried."""
    for sector in sector_sizes:
        table = _gpt(read, sector)
        if table is not None:
            return table
    return _mbr(read, next(iter(sector_sizes)))


def _gpt(read: ReadAt, sector: int) -> Table | None:
    header = read(sector, 92)
    if len(header) < 92 or header[:8] != b"EFI PART":
        return None
    size, checksum = struct.unpack_from("<II", header, 12)
    if not 92 <= size <= sector:
        return None
    whole = bytearray(read(sector, size))
    whole[16:20] = bytes(4)
    if zlib.crc32(whole) != checksum:
        return None
    backup, first = struct.unpack_from("<Q", header, 32)[0], struct.unpack_from("<Q", header, 72)[0]
    count, entry_bytes = struct.unpack_from("<II", header, 80)
    if not 128 <= entry_bytes <= 4096 or count > _MOST_ENTRIES:
        return None
    entries = read(first * sector, count * entry_bytes)
    found = (
        _gpt_entry(index + 1, entries[index * entry_bytes : (index + 1) * entry_bytes], sector)
        for index in range(len(entries) // entry_bytes)
    )
    return Table(tuple(one for one in found if one is not None), "gpt", sector, backup)


def _gpt_entry(number: int, entry: bytes, sector: int) -> Partition | None:
    kind = uuid.UUID(bytes_le=entry[:16])
    first, last = struct.unpack_from("<QQ", entry, 32)
    if not kind.int or last < first:
        return None
    name = entry[56:128].decode("utf-16-le", "replace").partition("\0")[0]
    return Partition(
        number=number,
        table="gpt",
        type=str(kind),
        name=name or None,
        offset=first * sector,
        length=(last - first + 1) * sector,
    )


def _mbr(read: ReadAt, sector: int) -> Table:
    block = read(0, 512)
    if len(block) < 512 or block[510:] != b"\x55\xaa":
        return Table(())
    entries = []
    for number in range(1, 5):
        entry = block[430 + 16 * number : 446 + 16 * number]
        first, count = struct.unpack_from("<II", entry, 8)
        if entry[0] not in (0x00, 0x80):
            return Table(())  # not a table: a boot sector of a file system without one ends in 55 AA, too
        if entry[4] and count and entry[4] != _PROTECTIVE:
            entries.append(
                Partition(
                    number=number, table="mbr", type=f"{entry[4]:02x}", offset=first * sector, length=count * sector
                )
            )
    return Table(tuple(entries), "mbr" if entries else None, sector if entries else None)


def names_at(partitions: Iterable[Partition], where: Area) -> tuple[str, ...]:
    """What lies in an area: "2 (Recovery)" for each partition it touches, "outside any partition" where none does."""
    names = tuple(
        f"{one.number} ({one.name})" if one.name else str(one.number)
        for one in partitions
        if overlap(one, where) is not None
    )
    return names or ("outside any partition",)
