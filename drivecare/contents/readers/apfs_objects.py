"""What the library does not tell of APFS: where its structures lie, and what is free. All numbers are little-endian.

    container superblock -> checkpoint -> space manager -> chunks of blocks, each with a bitmap
                         -> object map -> volume superblock -> object map -> nodes of the file-system tree
                                                            -> tables of extents and of snapshots

Layouts: Apple File System Reference (Apple, 2020). An object whose checksum does not hold is not believed.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from drivecare.contents.readers.tree import NONSENSE, runs_of_zero_bits
from drivecare.contents.window import Window
from drivecare.transfer.areas import Area, overlap

Claim = Callable[[str, Area], None]

_MOST_NODES = 1 << 20  # of a tree; a damaged one may run in a circle
_LEAST_BLOCK, _MOST_BLOCK = 4096, 65536
_MOST_CHECKPOINT_BLOCKS, _MOST_MANAGER_BYTES = 1 << 16, 64 << 20
_ON_TWO_DRIVES = 0x100
# The types of objects, of which the two lists are of chunks and, in large containers, of such lists.
_SPACE_MANAGER, _LIST_OF_LISTS, _LIST_OF_CHUNKS, _OBJECT_MAP, _CHECKPOINT_MAP, _VOLUME = 5, 6, 7, 11, 12, 13
_NODES = (2, 3)  # the root of a tree, and the others
_IS_ROOT, _FIXED_SIZES, _ROOT_INFO_BYTES = 0x1, 0x4, 40
_DELETED = 0x1


@dataclass(frozen=True, slots=True)
class Chunk:
    """Blocks that share a bitmap. Where it lies; 0: all of them are free."""

    area: Area
    bitmap_at: int


class Container:
    """An APFS container as its newest checkpoint has it. Raises OSError where its first block makes no sense.

    `used_bytes`, `free_bytes` and `chunks`, by their number, are None where the record of free space was not read.
    """

    def __init__(self, window: Window) -> None:
        self._window = window
        self.unread = 0  # structures that could not be read
        block = window.at(0, _LEAST_BLOCK)
        (self.block_bytes,) = struct.unpack_from("<I", block, 36)
        counts, places = struct.unpack_from("<II", block, 104), struct.unpack_from("<QQ", block, 112)
        if not _LEAST_BLOCK <= self.block_bytes <= _MOST_BLOCK or max(counts) > _MOST_CHECKPOINT_BLOCKS:
            raise OSError("its superblock makes no sense")
        self._ring_at, self._ring = places[0], counts[0]
        self._structures = [("checkpoint", self._area(*pair)) for pair in zip(places, counts, strict=True)]
        self._superblock = b""  # of the newest checkpoint; empty where that is not known
        self.used_bytes: int | None = None
        self.free_bytes: int | None = None
        self.chunks: dict[int, Chunk] | None = None
        try:
            self._superblock = self._newest_superblock()
            self._read_space(self._space_manager())
        except NONSENSE:
            self.unread += 1

    def _area(self, address: int, count: int = 1) -> Area:
        return Area(offset=address * self.block_bytes, length=count * self.block_bytes)

    def _object(self, address: int, *types: int, size: int = 0) -> bytes:
        """An object of one of these types. Raises OSError."""
        content = self._window.at(address * self.block_bytes, size or self.block_bytes)
        if len(content) < _LEAST_BLOCK or content[24] not in types or not _is_whole(content):
            raise OSError("a structure is not what it should be")
        return content

    def _newest_superblock(self) -> bytes:
        """The newest that is whole. Raises OSError where a newer checkpoint begins behind it, or was lost there."""
        places = [self._area(self._ring_at + at).offset for at in range(self._ring)]
        ring = (self._window.at_or_nothing(place, self.block_bytes) for place in places)
        superblocks = [block for block in ring if block[32:36] == b"NXSB" and _is_whole(block)]
        newest = max(superblocks, key=_transaction, default=b"")
        if not newest:
            raise OSError("no checkpoint is whole")
        (behind,) = struct.unpack_from("<I", newest, 128)
        block = self._window.at(places[behind % self._ring], self.block_bytes)
        if _transaction(block) > _transaction(newest) and _is_whole(block):
            raise OSError("the newest checkpoint is not whole")
        return newest

    # Free space.

    def _space_manager(self) -> bytes:
        """By the checkpoint's list of where its objects lie."""
        index, count = struct.unpack_from("<II", self._superblock, 136)
        (number,) = struct.unpack_from("<Q", self._superblock, 152)
        if int.from_bytes(self._superblock[64:72], "little") & _ON_TWO_DRIVES:
            raise OSError("it lies on two drives")
        for at in range(index, index + min(count, self._ring) - 1):  # the last one is the superblock
            block = self._object(self._ring_at + at % self._ring, _CHECKPOINT_MAP)
            for entry in range(struct.unpack_from("<I", block, 36)[0]):
                size, identity, address = struct.unpack_from("<I12xQQ", block, 48 + 40 * entry)
                if identity == number and size <= _MOST_MANAGER_BYTES:
                    return self._object(address, _SPACE_MANAGER, size=size)
        raise OSError("it has no record of free space")

    def _read_space(self, manager: bytes) -> None:
        self._chunk_blocks, blocks, single, nested, free, at = struct.unpack_from("<I8xQ8xIIQI", manager, 36)
        pool, bitmaps, bitmaps_at, pool_at = struct.unpack_from("<Q4xIQQ", manager, 152)
        record = [self._area(bitmaps_at, bitmaps), self._area(pool_at, pool)]
        addresses: tuple[int, ...] = struct.unpack_from(f"<{nested or single}Q", manager, at)
        if nested:
            record += map(self._area, addresses)
            lists = [self._object(address, _LIST_OF_LISTS) for address in addresses]
            addresses = tuple(entry for block in lists for entry in _addresses(block))
        chunks = {}
        for address in addresses:
            block = self._object(address, _LIST_OF_CHUNKS)
            record.append(self._area(address))
            for number in range(struct.unpack_from("<I", block, 36)[0]):
                first, length, bitmap = struct.unpack_from("<8xQI4xQ", block, 40 + 32 * number)
                chunks[first // self._chunk_blocks] = Chunk(self._area(first, length), bitmap * self.block_bytes)
                record += [self._area(bitmap)] if bitmap else []
        self._structures += (("record of free space", area) for area in record)
        self.used_bytes, self.free_bytes = (blocks - free) * self.block_bytes, free * self.block_bytes
        self.chunks = chunks

    def free(self, area: Area) -> tuple[Area, ...] | None:
        """The parts of an area that the bitmaps say are free; None where they are not known. Raises OSError."""
        if self.chunks is None:
            return None
        chunk_bytes = self._chunk_blocks * self.block_bytes
        numbers = range(area.offset // chunk_bytes, -(-area.end // chunk_bytes))
        chunks = (self.chunks[number] for number in numbers if number in self.chunks)
        return tuple(part for chunk in chunks for part in self._free_in(chunk, area))

    def _free_in(self, chunk: Chunk, area: Area) -> Iterator[Area]:
        part = overlap(chunk.area, area)
        if part is None or not chunk.bitmap_at:
            yield from () if part is None else (part,)
            return
        start, unit = chunk.area.offset, self.block_bytes
        first, last = (part.offset - start) // unit, (part.end - 1 - start) // unit
        bits = self._window.at(chunk.bitmap_at + first // 8, last // 8 - first // 8 + 1)
        yield from runs_of_zero_bits(bits, first, last, unit, start)

    # Structures.

    def claim_structures(self, claim: Claim) -> None:
        """Claim all that the checkpoint leads to; what cannot be read is counted."""
        for name, area in self._structures:
            claim(name, area)
        if not self._superblock:
            return
        for address, _ in self._mapped(int.from_bytes(self._superblock[160:168], "little"), claim):
            claim("volume superblock", self._area(address))
            try:
                objects, extents, snapshots = struct.unpack_from("<Q8xQQ", self._object(address, _VOLUME), 128)
            except OSError:
                self.unread += 1
                continue
            for place, size in self._mapped(objects, claim):
                claim("file-system tree", Area(offset=place * self.block_bytes, length=size))
            for name, root in (("table of extents", extents), ("table of snapshots", snapshots)):
                for _ in self._leaves(root, name, claim):
                    pass  # its nodes are claimed, which is all

    def _mapped(self, address: int, claim: Claim) -> Iterator[tuple[int, int]]:
        """Where the objects of an object map lie, and their sizes; the map itself is claimed."""
        claim("object map", self._area(address))
        try:
            (root,) = struct.unpack_from("<Q", self._object(address, _OBJECT_MAP), 48)
        except OSError:
            self.unread += 1
            return
        for values in self._leaves(root, "object map", claim):
            for flags, size, place in (struct.unpack_from("<IIQ", value) for value in values):
                if not flags & _DELETED:
                    yield place, size

    def _leaves(self, root: int, name: str, claim: Claim) -> Iterator[tuple[bytes, ...]]:
        """Claim the nodes of a tree; the values of each leaf."""
        waiting, visited = [root], {root}
        while waiting:
            address = waiting.pop()
            claim(name, self._area(address))
            try:
                node = self._object(address, *_NODES)
                values = tuple(_values(node))
            except (OSError, struct.error):
                self.unread += 1
                continue
            if int.from_bytes(node[34:36], "little") == 0:  # its level
                yield values
                continue
            below = {int.from_bytes(value[:8], "little") for value in values} - visited
            if len(visited) + len(below) <= _MOST_NODES:
                visited |= below
                waiting += below


def _addresses(block: bytes) -> tuple[int, ...]:
    """The addresses in a list of lists of chunks."""
    return struct.unpack_from(f"<{struct.unpack_from('<I', block, 36)[0]}Q", block, 40)


def _values(node: bytes) -> Iterator[bytes]:
    """The values of a node, each with what follows it. Raises struct.error."""
    flags, _, count, table_at, _ = struct.unpack_from("<HHIHH", node, 32)
    end = len(node) - (_ROOT_INFO_BYTES if flags & _IS_ROOT else 0)
    entry, size = ("<2xH", 4) if flags & _FIXED_SIZES else ("<4xH2x", 8)
    for number in range(count):
        (back,) = struct.unpack_from(entry, node, 56 + table_at + size * number)
        yield node[end - back : end]


def _transaction(content: bytes) -> int:
    return int.from_bytes(content[16:24], "little")


def _is_whole(content: bytes) -> bool:
    """By the checksum of an object, Fletcher's in 64 bits."""
    low = high = 0
    for (word,) in struct.iter_unpack("<I", content[8:]):
        low += word
        high += low
    most = 0xFFFFFFFF
    first = most - (low + high) % most
    return int.from_bytes(content[:8], "little") == (most - (low + first) % most) << 32 | first
