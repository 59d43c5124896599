"""A partition as the libraries read it: a file-like object over a function that reads, which never shows lost bytes."""

from __future__ import annotations

import errno
from bisect import bisect_right
from collections import OrderedDict
from collections.abc import Sequence

from drivecare.transfer.areas import Area, merge, overlap, uncovered
from drivecare.transfer.sectors.partitions import ReadAt

_BLOCK_BYTES = 64 << 10
_MOST_BLOCKS = 512


class Window:
    """The bytes of one partition, counted from its start.

    A read that touches a lost area fails, unless the file system keeps these bytes twice, so that a fill is never taken
    for a structure. Whoever reads then knows that it does not know. `read` may return fewer bytes, or raise OSError.
    """

    def __init__(self, read: ReadAt, partition: Area, lost: Sequence[Area] = ()) -> None:
        self._read, self._base, self.size_bytes = read, partition.offset, partition.length
        self._lost = merge(lost)
        self._starts = [area.offset for area in self._lost]
        self._position = 0
        self._twice, self._distance = Area(offset=0, length=0), 0
        self._blocks: OrderedDict[int, bytes] = OrderedDict()
        self._lacking: list[Area] = []

    def at(self, offset: int, length: int) -> bytes:
        """The bytes at an offset; fewer where the partition ends. Raises OSError where some are lost."""
        length = max(0, min(length, self.size_bytes - offset))
        if self._is_lost(Area(offset=self._base + offset, length=length)):
            return self._with_second_copy(Area(offset=offset, length=length))
        number, start = divmod(offset, _BLOCK_BYTES)
        if start + length <= _BLOCK_BYTES:
            return self._block(number)[start : start + length]
        return self._read(self._base + offset, length)

    def keeps_twice(self, area: Area, distance: int) -> None:
        """Have what is lost of an area read so many bytes further on, where the file system keeps it a second time."""
        self._twice, self._distance = area, distance

    def _with_second_copy(self, area: Area) -> bytes:
        """An area that is lost in part. Raises OSError where no second copy has that part."""
        lost = [Area(offset=gap.offset - self._base, length=gap.length) for gap in self._lost]
        gaps = [part for gap in lost if (part := overlap(gap, area)) is not None]
        self._lacking += (Area(offset=self._base + gap.offset, length=gap.length) for gap in gaps)
        if any(overlap(gap, self._twice) != gap for gap in gaps):
            raise OSError(errno.ENODATA, "these bytes did not come across")
        parts = sorted([*((gap, self._distance) for gap in gaps), *((part, 0) for part in uncovered(gaps, area))])
        return b"".join(self.at(part.offset + distance, part.length) for part, distance in parts)

    @property
    def lacking(self) -> tuple[Area, ...]:
        """The lost areas that were to be read, counted from the medium's start."""
        return merge(self._lacking)

    def _is_lost(self, area: Area) -> bool:
        index = bisect_right(self._starts, area.end - 1) - 1
        return index >= 0 and area.length > 0 and self._lost[index].end > area.offset

    def _block(self, number: int) -> bytes:
        block = self._blocks.get(number)
        if block is None:
            offset = number * _BLOCK_BYTES
            block = self._read(self._base + offset, min(_BLOCK_BYTES, self.size_bytes - offset))
            self._blocks[number] = block
            if len(self._blocks) > _MOST_BLOCKS:
                self._blocks.popitem(last=False)
        return block

    def at_or_nothing(self, offset: int, length: int) -> bytes:
        """The same, with b"" in place of an error."""
        try:
            return self.at(offset, length)
        except OSError:
            return b""

    # What the libraries ask of a file object.

    def read(self, size: int = -1) -> bytes:
        """Read from the current position, as a file does."""
        content = self.at(self._position, self.size_bytes if size < 0 else size)
        self._position += len(content)
        return content

    def seek(self, offset: int, whence: int = 0) -> int:
        """Move the current position, as a file does."""
        self._position = offset + (0, self._position, self.size_bytes)[whence]
        return self._position

    def tell(self) -> int:
        """The current position."""
        return self._position

    def get_size(self) -> int:
        """The size, for libraries that ask for it this way."""
        return self.size_bytes
