"""XFS. Layouts: kernel 6.1, fs/xfs/libxfs/xfs_format.h and xfs_log_format.h. All numbers are big-endian."""

from __future__ import annotations

import struct
from bisect import bisect_right
from collections.abc import Iterator
from typing import Any

import pyfsxfs

from drivecare.contents.attribution import Attribution, Owner
from drivecare.contents.readers.tree import Reader, Stream
from drivecare.contents.window import Window
from drivecare.transfer.areas import Area, overlap
from drivecare.transfer.holds import HoldKind

_LOG_RECORD, _UNMOUNT = b"\xfe\xed\xba\xbe", 0x20
_INODES_OF_A_CHUNK = 64
_MOST_BLOCKS_OF_A_TREE = 1 << 20  # a damaged tree may run in a circle
_FREE_TREE, _INODE_TREE = (b"ABTB", b"AB3B"), (b"IABT", b"IAB3")
_LEAST_OF_GROUP = 64  # blocks: kernel, XFS_MIN_AG_BLOCKS (from memory)


class XfsReader(Reader):
    """XFS."""

    def __init__(self, window: Window) -> None:
        super().__init__(window)
        block = window.at(0, 512)
        self._group_blocks: int
        self.unit_bytes, self._blocks = struct.unpack_from(">IQ", block, 4)
        self._log_start, self._group_blocks, self._groups, self._log_blocks = (
            struct.unpack_from(">Q", block, 48)[0],
            *struct.unpack_from(">II", block, 84),
            struct.unpack_from(">I", block, 96)[0],
        )
        self._sector_bytes, self._inode_bytes = struct.unpack_from(">HH", block, 102)
        self._inodes_per_block_log, self._group_log = block[123], block[124]
        free = struct.unpack_from(">Q", block, 144)[0]
        if not 512 <= self.unit_bytes <= 65536 or self._group_blocks < _LEAST_OF_GROUP or self._group_log > 32:
            raise OSError("its superblock makes no sense")
        self._groups = min(self._groups, -(-window.size_bytes // (self._group_blocks * self.unit_bytes)))
        self.file_system = "XFS"
        self.free_bytes = free * self.unit_bytes
        self.used_bytes = max(0, self._blocks - free) * self.unit_bytes
        self._clean: bool | None = None
        self._free_group, self._free = -1, list[Area]()
        self._volume = pyfsxfs.volume()

    def streams(self, entry: Any, kind: HoldKind | None) -> Iterator[Stream]:
        """The content, where it really lies."""
        for stream in super().streams(entry, kind):
            extents = ((self._place(offset), length, flags) for offset, length, flags in stream.extents)
            yield Stream(stream.suffix, stream.size_bytes, tuple(extents))

    def _place(self, offset: int) -> int:
        """Where an extent lies. The library counts a group as the next power of two of its blocks, as inodes do."""
        block, inside = divmod(offset, self.unit_bytes)
        group, within = divmod(block, 1 << self._group_log)
        return (group * self._group_blocks + within) * self.unit_bytes + inside

    def claim_structures(self, attribution: Attribution) -> None:
        """The headers of every group, the tables of inodes, the journal."""
        for group in range(self._groups):
            start = group * self._group_blocks * self.unit_bytes
            headers = Area(offset=start, length=max(4 * self._sector_bytes, self.unit_bytes))
            name = "superblock and group header" if group == 0 else "spare superblock and group header"
            attribution.claim(Owner("structure", structure=name), headers)
            if attribution.touches(Area(offset=start, length=self._group_blocks * self.unit_bytes)):
                self._claim_inodes(attribution, start)
        if self._log_start:
            log = Area(offset=self._log_offset, length=self._log_blocks * self.unit_bytes)
            attribution.claim(Owner("structure", structure="journal"), log)

    def _claim_inodes(self, attribution: Attribution, start: int) -> None:
        try:
            header = self.window.at(start + 2 * self._sector_bytes, 32)
            for record in self._records(start, struct.unpack_from(">I", header, 20)[0], _INODE_TREE, 16, 4):
                block = struct.unpack_from(">I", record)[0] >> self._inodes_per_block_log
                chunk = Area(offset=start + block * self.unit_bytes, length=_INODES_OF_A_CHUNK * self._inode_bytes)
                attribution.claim(Owner("structure", structure="table of inodes"), chunk)
        except OSError:
            self.unread += 1

    def is_clean(self) -> bool:
        """By its journal."""
        if self._clean is None:
            self._clean = self._was_unmounted()
        return self._clean

    def recorded_free(self, area: Area) -> tuple[Area, ...] | None:
        """By the trees of free space of its groups."""
        parts, group_bytes = list[Area](), self._group_blocks * self.unit_bytes
        for group in range(area.offset // group_bytes, min((area.end - 1) // group_bytes + 1, self._groups)):
            free = self._free_of_group(group)
            index = max(0, bisect_right(free, area) - 1)
            while index < len(free) and free[index].offset < area.end:
                if (part := overlap(free[index], area)) is not None:
                    parts.append(part)
                index += 1
        return tuple(parts)

    def _free_of_group(self, group: int) -> list[Area]:
        """The free extents of a group, in order. The group that was asked about last is kept."""
        if self._free_group != group:
            start = group * self._group_blocks * self.unit_bytes
            header = self.window.at(start + self._sector_bytes, 64)
            if header[:4] != b"XAGF":
                raise OSError("the header of the group is damaged")
            records = self._records(start, struct.unpack_from(">I", header, 16)[0], _FREE_TREE, 8, 8)
            pairs = (struct.unpack(">II", record) for record in records)
            unit = self.unit_bytes
            self._free = sorted(Area(offset=start + block * unit, length=count * unit) for block, count in pairs)
            self._free_group = group
        return self._free

    def _records(
        self, start: int, root: int, magics: tuple[bytes, bytes], record_bytes: int, key_bytes: int
    ) -> Iterator[bytes]:
        """The records of a tree of a group: down its left side, then along its leaves. Raises OSError."""
        number = root
        for _ in range(_MOST_BLOCKS_OF_A_TREE):
            block = self.window.at(start + number * self.unit_bytes, self.unit_bytes)
            if len(block) < self.unit_bytes or block[:4] not in magics:
                raise OSError("a tree of the group is damaged")
            header = 16 if block[:4] == magics[0] else 56
            level, count = struct.unpack_from(">HH", block, 4)
            if level:
                most = (self.unit_bytes - header) // (key_bytes + 4)
                number = struct.unpack_from(">I", block, header + most * key_bytes)[0]
                continue
            records = block[header : header + count * record_bytes]
            yield from (records[at : at + record_bytes] for at in range(0, len(records), record_bytes))
            number = struct.unpack_from(">I", block, 12)[0]
            if number == 0xFFFFFFFF:
                return
        raise OSError("a tree of the group runs in a circle")

    @property
    def _log_offset(self) -> int:
        return self._place(self._log_start * self.unit_bytes)

    def _was_unmounted(self) -> bool:
        """Whether the newest record of the journal is that of an unmount. One on another drive cannot be asked."""
        newest, newest_at, length = b"", 0, self._log_blocks * self.unit_bytes
        if not self._log_start:
            return False
        lost: OSError | None = None
        for at in range(0, length, 1 << 20):
            try:
                content = self.window.at(self._log_offset + at, min(1 << 20, length - at))
            except OSError as error:  # the others are asked for, too: whoever grants what lacks grants it at once
                lost = error
                continue
            position = content.find(_LOG_RECORD)
            while position >= 0:
                number = content[position + 16 : position + 24]
                if position % 512 == 0 and number > newest:
                    newest, newest_at = number, at + position
                position = content.find(_LOG_RECORD, position + 4)
        if lost is not None:
            raise lost
        operation = self.window.at(self._log_offset + newest_at + 512, 12)
        return bool(newest) and len(operation) == 12 and bool(operation[9] & _UNMOUNT)


open_volume = XfsReader
