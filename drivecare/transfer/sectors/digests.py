"""SHA-256 of consecutive stretches, cut at chunk boundaries."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from drivecare.transfer.areas import Area, area, pieces


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch inside one chunk and the digest of the bytes read there."""

    where: Area
    digest: bytes


class Segmenter:
    """Takes bytes in the order they were read; gives back the segments they make.

    A segment ends at a multiple of `chunk_bytes`, and where the next bytes do not continue it.
    """

    def __init__(self, chunk_bytes: int) -> None:
        self._chunk_bytes = chunk_bytes
        self._start = self._end = 0
        self._sum = hashlib.sha256()

    def add(self, where: Area, data: memoryview) -> list[Segment]:
        """Take the bytes of `where`; the segments that are finished by it."""
        done = [] if where.offset == self._end else self.close()
        if self._start == self._end:
            self._start = self._end = where.offset
        for piece in pieces(where, self._chunk_bytes):
            self._sum.update(data[piece.offset - where.offset : piece.end - where.offset])
            self._end = piece.end
            if piece.end % self._chunk_bytes == 0:
                done += self.close()
        return done

    def close(self) -> list[Segment]:
        """End the open segment here; [] where none is open."""
        if self._start == self._end:
            return []
        done = Segment(area(self._start, self._end), self._sum.digest())
        self._start, self._sum = self._end, hashlib.sha256()
        return [done]

    def forget(self) -> None:
        """Give up the open segment: not all of its bytes arrived where they should."""
        self._start, self._sum = self._end, hashlib.sha256()
