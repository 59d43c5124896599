"""What is read back of a target, held against what it must be: parts, chunks, and what the content looks like."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from drivecare.transfer.areas import Area, pieces
from drivecare.transfer.sectors.digests import Algorithm, new_hash
from drivecare.transfer.sectors.fill import fill_bytes
from drivecare.transfer.sectors.receipt import ReadBackMethod

_PAGE = 4096
_ZERO_PAGE = bytes(_PAGE)
_SAMPLES = 4  # pages of a block that are tried for randomness
# Random bytes do not compress; a 4 KiB page of anything else takes deflate fewer bytes than this. Our judgement.
_RANDOM_ABOVE_BYTES = _PAGE - 16


@dataclass(frozen=True, slots=True)
class ExpectedPart:
    """What a part must hold: bytes of this digest, or the fill (None). A part never crosses a chunk boundary.

    Bytes in it that are not to be compared do not count.
    """

    area: Area
    digest: bytes | None


@dataclass(frozen=True, slots=True)
class ReadBack:
    """The outcome of a read-back. `whole` is None where bytes of it were not read; so is a chunk, but for those that
    were not to be compared.
    """

    method: ReadBackMethod
    whole: str | None
    chunks: tuple[str | None, ...]
    mismatched: tuple[Area, ...]
    unreadable: tuple[Area, ...]
    zero_fraction: float
    looks_random: bool

    @property
    def bad(self) -> tuple[Area, ...]:
        """The areas that differ or could not be read."""
        return (*self.mismatched, *self.unreadable)

    @property
    def agrees(self) -> bool:
        """Whether every byte was read and was what it had to be."""
        return not self.bad


class Comparison:
    """Follows the expected parts and the chunks while bytes arrive in order.

    Most parts are whole chunks. Such a part is hashed once and its hash handed on to
    the chunk; the bytes of smaller parts and of the fill go into a hash of the chunk's own as well:

        chunk  |     0     |            1            |     2     |
        part   |     a     |      b      |   fill    |     c     |
        hash   | a, then 0 |   b and 1   |     1     | c, then 2 |
    """

    def __init__(self, parts: Iterable[ExpectedPart], chunk_bytes: int, bytes_total: int, algorithm: Algorithm) -> None:
        self.chunks: list[str | None] = []
        self.skipped = False  # bytes that were not to be compared
        self._position = 0
        self.mismatched: list[Area] = []
        self.unread: list[Area] = []
        self._parts = iter(parts)
        self._chunk_bytes, self._total, self._algorithm = chunk_bytes, bytes_total, algorithm
        self._part = next(self._parts, None)
        self._part_hash, self._chunk_hash = new_hash(algorithm), new_hash(algorithm)
        self._part_unread = self._chunk_unread = self._chunk_begun = self._fill_differs = False

    def add(self, area: Area, view: memoryview | None) -> None:
        """Take the next bytes, after any that are not to be compared; None where they could not be read."""
        self._skip_to(area.offset)
        self._position = area.end
        for piece in self._cut(area):
            if view is None:
                self.unread.append(piece)
                self._part_unread = self._chunk_unread = True
            else:
                self._hash(piece, view[piece.offset - area.offset : piece.end - area.offset])
            self._chunk_begun = True
            self._pass(piece)

    def finish(self) -> None:
        """End the last chunks, where no more bytes come."""
        self._skip_to(self._total)

    def _skip_to(self, offset: int) -> None:
        """Pass over bytes that are not to be compared; the digest of a chunk is of its others, if it has any."""
        for piece in self._cut(Area.between(self._position, offset)):
            self.skipped = True
            self._pass(piece)

    def _pass(self, piece: Area) -> None:
        """End the part and the chunk that end with this piece."""
        if self._part is not None and piece.end == self._part.area.end:
            self._end_part(self._part)
        if piece.end % self._chunk_bytes == 0 or piece.end == self._total:
            self._end_chunk()

    def _cut(self, area: Area) -> Iterator[Area]:
        """`area` cut at the ends of chunks and parts. The current part changes while this generator is suspended."""
        for piece in pieces(area, self._chunk_bytes):
            position = piece.offset
            while position < piece.end:
                end = piece.end if self._part is None else min(piece.end, self._part.area.end)
                yield Area.between(position, end)
                position = end

    def _hash(self, piece: Area, data: memoryview) -> None:
        if self._part is None:
            return
        if self._part.digest is None:
            self._fill_differs = self._fill_differs or bytes(data) != fill_bytes(piece)
        else:
            self._part_hash.update(data)
        if not self._is_chunk(self._part):
            self._chunk_hash.update(data)

    def _is_chunk(self, part: ExpectedPart) -> bool:
        """Whether the part is a whole chunk with a digest, so that one hash serves both."""
        return part.digest is not None and is_whole_chunk(part.area, self._chunk_bytes, self._total)

    def _end_part(self, part: ExpectedPart) -> None:
        agrees = not self._fill_differs if part.digest is None else self._part_hash.digest() == part.digest
        if not agrees and not self._part_unread:
            self.mismatched.append(part.area)
        if self._is_chunk(part):
            self._chunk_hash = self._part_hash
        self._part_hash = new_hash(self._algorithm)
        self._part_unread = self._fill_differs = False
        self._part = next(self._parts, None)

    def _end_chunk(self) -> None:
        self.chunks.append(self._chunk_hash.hexdigest() if self._chunk_begun and not self._chunk_unread else None)
        self._chunk_hash, self._chunk_unread, self._chunk_begun = new_hash(self._algorithm), False, False


def is_whole_chunk(area: Area, chunk_bytes: int, bytes_total: int) -> bool:
    """Tell whether an area is exactly one chunk; the last chunk may be shorter."""
    return area.offset % chunk_bytes == 0 and (area.length == chunk_bytes or area.end == bytes_total)


class ContentSample:
    """How much of the content is zero, and whether all of it looks random."""

    def __init__(self) -> None:
        self._pages = self._zero = self._sampled = self._random = 0

    def add(self, view: memoryview) -> None:
        """Count the pages of the next bytes."""
        pages = range(0, len(view), _PAGE)
        self._pages += len(pages)
        self._zero += sum(_is_zero(view[at : at + _PAGE]) for at in pages if not view[at])
        whole_pages = len(view) // _PAGE
        for page in range(0, whole_pages, max(1, whole_pages // _SAMPLES)):
            self._sampled += 1
            self._random += len(zlib.compress(view[page * _PAGE : (page + 1) * _PAGE], 1)) > _RANDOM_ABOVE_BYTES

    @property
    def zero_fraction(self) -> float:
        """The share of 4 KiB pages that hold only zeros, rounded so that only all of them is 1 and only none is 0."""
        if not self._pages:
            return 0.0
        if self._zero in (0, self._pages):
            return float(self._zero == self._pages)
        return min(max(round(self._zero / self._pages, 6), 1e-6), 1 - 1e-6)

    @property
    def looks_random(self) -> bool:
        """Whether almost nothing is zero and almost every sample looks random: encrypted, or locked behind a key."""
        return self._sampled > 0 and self._zero * 1000 < self._pages and self._random * 1000 >= self._sampled * 995


def _is_zero(page: memoryview) -> bool:
    return bytes(page) == _ZERO_PAGE[: len(page)]
