"""Segments: consecutive bytes that were read, cut at chunk boundaries, each with its digest."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from drivecare.transfer.areas import Area, pieces
from drivecare.transfer.sectors.digests import Algorithm, new_hash


@dataclass(frozen=True, slots=True)
class Segment:
    """An area within one chunk and the digest of the bytes read there."""

    area: Area
    digest: bytes


class Segmenter:
    """Hash bytes in the order they were read and return the segments they make.

    A segment ends at a multiple of `chunk_bytes`, at each of `cuts`, and where the next bytes do not continue it.
    """

    def __init__(self, chunk_bytes: int, algorithm: Algorithm, cuts: Collection[int] = ()) -> None:
        self.cuts = sorted(cuts)
        self._chunk_bytes, self._algorithm = chunk_bytes, algorithm
        self._start = self._end = 0
        self._hash = new_hash(algorithm)

    def add(self, area: Area, data: memoryview) -> list[Segment]:
        """Take the bytes of `area`; return the segments that they complete."""
        complete = [] if area.offset == self._end else self.close()
        if self._start == self._end:
            self._start = self._end = area.offset
        for piece, ends_here in self._cut(area):
            self._hash.update(data[piece.offset - area.offset : piece.end - area.offset])
            self._end = piece.end
            if ends_here:
                complete += self.close()
        return complete

    def _cut(self, area: Area) -> Iterator[tuple[Area, bool]]:
        """The area in pieces, and whether a segment ends with each."""
        for piece in pieces(area, self._chunk_bytes):
            position = piece.offset
            for cut in self.cuts[bisect_right(self.cuts, position) : bisect_right(self.cuts, piece.end)]:
                yield Area.between(position, cut), True
                position = cut
            if position < piece.end:
                yield Area.between(position, piece.end), piece.end % self._chunk_bytes == 0

    def close(self) -> list[Segment]:
        """End the open segment here; [] where none is open."""
        if self._start == self._end:
            return []
        segment = Segment(Area.between(self._start, self._end), self._hash.digest())
        self._start, self._hash = self._end, new_hash(self._algorithm)
        return [segment]
