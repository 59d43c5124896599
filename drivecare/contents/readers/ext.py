"""ext2, ext3 and ext4. Layouts: kernel documentation, filesystems/ext4, "Data Structures and Algorithms"."""

from __future__ import annotations

import stat
import struct
from collections.abc import Iterator

import pyfsext

from drivecare.contents.attribution import Attribution, Owner
from drivecare.contents.readers.tree import SPARSE, Reader, extents_of, runs_of_zero_bits
from drivecare.contents.window import Window
from drivecare.transfer.areas import Area

_RESIZE, _JOURNAL = 7, 8
_HAS_JOURNAL, _RECOVER, _META_BG, _64BIT, _ENCRYPT = 0x4, 0x4, 0x10, 0x80, 0x10000
_EXTENTS, _FLEX = 0x40, 0x200
_SPARSE_SUPER, _BIGALLOC = 0x1, 0x200
_INODE_UNINIT, _BLOCK_UNINIT = 0x1, 0x2
_CHECKED_GROUPS = 0x10 | 0x400  # descriptors of groups have a checksum, and tell how many inodes were never used
_LEAST_OF_GROUP = 256  # blocks: mke2fs makes none smaller (mke2fs(8), -g; the number from memory)
_TABLE_PIECE = 64 << 10


class ExtReader(Reader):
    """ext2, ext3 or ext4."""

    def __init__(self, window: Window) -> None:
        super().__init__(window)
        self._first_block: int
        self._per_group: int
        self._inodes_per_group: int
        block = window.at(1024, 1024)
        _, low_blocks, _, low_free, _, self._first_block, log_size = struct.unpack_from("<7I", block)
        self._per_group, _, self._inodes_per_group = struct.unpack_from("<3I", block, 32)
        compatible, incompatible, self._read_only = struct.unpack_from("<3I", block, 92)
        self.unit_bytes = 1024 << min(log_size, 6)
        wide = bool(incompatible & _64BIT)
        self._blocks = low_blocks | (struct.unpack_from("<I", block, 336)[0] << 32 if wide else 0)
        free = low_free | (struct.unpack_from("<I", block, 344)[0] << 32 if wide else 0)
        self._entry_bytes = max(32, struct.unpack_from("<H", block, 254)[0]) if wide else 32
        self._inode_bytes = struct.unpack_from("<H", block, 88)[0] or 128
        self._meta_groups = bool(incompatible & _META_BG)
        self._clean = bool(struct.unpack_from("<H", block, 58)[0] & 1) and not incompatible & _RECOVER
        if self._per_group < _LEAST_OF_GROUP or self._inode_bytes not in range(128, self.unit_bytes + 1):
            raise OSError("its superblock makes no sense")
        self.file_system = "ext4" if incompatible & (_EXTENTS | _64BIT | _FLEX) else (
            "ext3" if compatible & _HAS_JOURNAL else "ext2"
        )  # fmt: skip
        self.free_bytes = free * self.unit_bytes
        self.used_bytes = max(0, self._blocks - free) * self.unit_bytes
        self.encrypted = bool(incompatible & _ENCRYPT)
        self._volume = pyfsext.volume()

    def _groups(self) -> int:
        blocks: int = min(self._blocks, self.window.size_bytes // self.unit_bytes)
        return -(-(blocks - self._first_block) // self._per_group)

    def _descriptor(self, number: int) -> bytes:
        if self._meta_groups:
            raise OSError("the group descriptors are spread over the groups")
        return self.window.at((self._first_block + 1) * self.unit_bytes + number * self._entry_bytes, self._entry_bytes)

    def _group(self, number: int) -> tuple[int, int, int, int]:
        """Of a group: the blocks of its block bitmap, inode bitmap and inode table, and its flags."""
        entry = self._descriptor(number)
        low = struct.unpack_from("<3I", entry)
        high = struct.unpack_from("<3I", entry, 32) if self._entry_bytes >= 64 else (0, 0, 0)
        places = [part | more << 32 for part, more in zip(low, high, strict=True)]
        return places[0], places[1], places[2], struct.unpack_from("<H", entry, 18)[0]

    def survey(self, attribution: Attribution) -> None:
        """Walk all names; then the inodes of deleted files, which have none any more."""
        super().survey(attribution)
        for number in self._deleted_inodes() if attribution and self._clean else ():
            try:
                entry = self._volume.get_file_entry_by_inode(number)
                extents, owner = extents_of(entry), Owner("deleted", size_bytes=entry.size)
            except (OSError, ValueError):
                continue  # what is left of it makes no sense, and nothing depends on it
            for offset, length, flags in extents:
                if not flags & SPARSE and length > 0:
                    attribution.claim_deleted(owner, Area(offset=offset, length=length))

    def _deleted_inodes(self) -> Iterator[int]:
        """Files that no name leads to and that have a time of deletion: those that debugfs looks at for `lsdel`.

        Linux clears the places of most as it deletes them, so that little is left to be told.
        """
        layout = struct.Struct(f"<H18xI2xH{self._inode_bytes - 28}x")
        for number in range(self._groups()):
            try:
                _, _, table, flags = self._group(number)
                used = self._used_inodes(number) if not flags & _INODE_UNINIT else 0
                first, size = number * self._inodes_per_group + 1, used * self._inode_bytes
                for start in range(0, size, _TABLE_PIECE):
                    content = self.window.at(table * self.unit_bytes + start, min(_TABLE_PIECE, size - start))
                    inodes = layout.iter_unpack(content[: len(content) // layout.size * layout.size])
                    for inode, (mode, deleted_at, links) in enumerate(inodes, first + start // self._inode_bytes):
                        if deleted_at and not links and stat.S_ISREG(mode):
                            yield inode
            except (OSError, struct.error):
                continue

    def _used_inodes(self, number: int) -> int:
        """How many inodes of a group were ever used, as far as that is told."""
        if not self._read_only & _CHECKED_GROUPS:
            return self._inodes_per_group
        entry = self._descriptor(number)
        unused = int.from_bytes(entry[28:30], "little") | int.from_bytes(entry[50:52], "little") << 16
        return max(0, self._inodes_per_group - unused)

    def claim_structures(self, attribution: Attribution) -> None:
        """The superblocks, the tables of every group, the journal."""
        unit = self.unit_bytes
        table = -(-self._groups() * self._entry_bytes // unit)
        inode_blocks = -(-self._inodes_per_group * self._inode_bytes // unit)

        def claim(name: str, block: int, count: int) -> None:
            attribution.claim(Owner("structure", structure=name), Area(offset=block * unit, length=count * unit))

        attribution.claim(Owner("structure", structure="superblock"), Area(offset=0, length=2048))
        for number in range(self._groups()):
            start = self._first_block + number * self._per_group
            if not self._read_only & _SPARSE_SUPER or _keeps_a_superblock(number):
                claim("superblock" if number == 0 else "spare superblock", start, 1)
                claim("table of groups", start + 1, table)
            try:
                block_bitmap, inode_bitmap, inodes, _ = self._group(number)
            except (OSError, struct.error):
                self.unread += 1
                continue
            claim("record of free space", block_bitmap, 1)
            claim("record of free inodes", inode_bitmap, 1)
            claim("table of inodes", inodes, inode_blocks)
        for inode, name in ((_RESIZE, "room for a larger table of groups"), (_JOURNAL, "journal")):
            try:
                extents = extents_of(self._volume.get_file_entry_by_inode(inode))
            except OSError:
                continue
            for offset, length, flags in extents:
                if not flags & SPARSE:
                    attribution.claim(Owner("structure", structure=name), Area(offset=offset, length=length))

    def is_clean(self) -> bool:
        """By the superblock."""
        return self._clean

    def recorded_free(self, area: Area) -> tuple[Area, ...] | None:
        """By the block bitmaps."""
        if self._read_only & _BIGALLOC:
            return None
        unit, parts = self.unit_bytes, list[Area]()
        first, last = area.offset // unit, (area.end - 1) // unit
        for number in range((first - self._first_block) // self._per_group, self._groups()):
            start = self._first_block + number * self._per_group
            begin, end = max(first, start), min(last, start + self._per_group - 1, self._blocks - 1)
            if begin > end:
                break
            place, _, _, flags = self._group(number)
            if flags & _BLOCK_UNINIT:  # no file was ever here, and no bitmap was written
                parts.append(Area.between(begin * unit, (end + 1) * unit))
                continue
            bitmap = self.window.at(place * unit, unit)[(begin - start) // 8 :]
            parts += runs_of_zero_bits(bitmap, begin - start, end - start, unit, start * unit)
        return tuple(parts)


def _keeps_a_superblock(group: int) -> bool:
    """Whether a group keeps a copy with the sparse_super feature: 0, 1 and the powers of 3, 5 and 7."""
    if group < 2:
        return True
    for base in (3, 5, 7):
        power = base
        while power < group:
            power *= base
        if power == group:
            return True
    return False


open_volume = ExtReader
