"""Segments: consecutive bytes that were read, cut at chunk boundaries, each with its digest."""

from __future__ import annotations

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

    A segment ends at a multiple of `chunk_bytes`, and where the next bytes do not continue it.
    """

    def __init__(self, chunk_bytes: int, algorithm: Algorithm) -> None:
        self._chunk_bytes, self._algorithm = chunk_bytes, algorithm
        self._start = self._end = 0
        self._hash = new_hash(algorithm)

    def add(self, area: Area, data: memoryview) -> list[Segment]:
        """Take the bytes of `area`; return the segments that they complete."""
        complete = [] if area.offset == self._end else self.close()
        if self._start == self._end:
            self._start = self._end = area.offset
        for piece in pieces(area, self._chunk_bytes):
            self._hash.update(data[piece.offset - area.offset : piece.end - area.offset])
            self._end = piece.end
            if piece.end % self._chunk_bytes == 0:
                complete += self.close()
        return complete

    def close(self) -> list[Segment]:
        """End the open segment here; [] where none is open."""
        if self._start == self._end:
            return []
        segment = Segment(Area.between(self._start, self._end), self._hash.digest())
        self._start, self._hash = self._end, new_hash(self._algorithm)
        return [segment]

    def forget(self) -> None:
        """Give up the open segment: some of its bytes may not have arrived where they should."""
        self._start, self._hash = self._end, new_hash(self._algorithm)
