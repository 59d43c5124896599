"""Whole transfers over a port whose reads and writes may come back short."""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator

from drivecare.transfer.areas import Area, merge, pieces
from drivecare.transfer.medium import Buffer, Gone, Medium
from drivecare.transfer.sectors.digests import Algorithm, new_hash

# Runs of zeros of this length, at multiples of it, become holes in an image.
HOLE_BYTES = 64 << 10
_HOLE = bytes(HOLE_BYTES)
_UNIT_BYTES = 4096  # of a small read, so that it may pass the cache


def read_fully(medium: Medium, area: Area, buffer: Buffer) -> tuple[int, OSError | None]:
    """Read `area` into the start of the buffer; return how many bytes came, and the error that ended the read, if any.

    Raises Gone where the medium ends before its size: a drive that was pulled reads like that.
    """
    count = 0
    while count < area.length:
        remainder = Buffer(buffer.view[count:], buffer.position + count)
        try:
            transferred = medium.read(area.offset + count, remainder, area.length - count)
        except OSError as error:
            return count, error
        if transferred == 0:
            raise Gone(f"{medium.path} ended at byte {area.offset + count:,}, before its size")
        count += transferred
    return count, None


def write_fully(medium: Medium, area: Area, buffer: Buffer) -> None:
    """Write the start of the buffer to `area`, leaving holes for zeros where the medium can. Raises OSError."""
    for part, zero in _zero_runs(area, buffer) if medium.sparse else ((area, False),):
        if zero:
            medium.punch(part)
            continue
        position = part.offset
        while position < part.end:
            count = medium.write(position, buffer, position - area.offset, part.end - position)
            if count == 0:
                raise OSError(errno.ENOSPC, "nothing more can be written")
            position += count


def _zero_runs(area: Area, buffer: Buffer) -> Iterator[tuple[Area, bool]]:
    """`area` as runs that are all zero, or are not."""
    zero = merge(
        piece
        for piece in pieces(area, HOLE_BYTES)
        if _is_zero(buffer.view[piece.offset - area.offset : piece.end - area.offset])
    )
    position = area.offset
    for hole in zero:
        if position < hole.offset:
            yield Area.between(position, hole.offset), False
        yield hole, True
        position = hole.end
    if position < area.end:
        yield Area.between(position, area.end), False


def _is_zero(data: memoryview) -> bool:
    return not data[0] and bytes(data) == _HOLE[: len(data)]  # most data is told apart by its first byte, uncopied


def hash_area(medium: Medium, area: Area, buffer: Buffer, algorithm: Algorithm) -> bytes | None:
    """The digest of what the medium holds in `area`; None where it cannot be read."""
    content = new_hash(algorithm)
    for piece in pieces(area, len(buffer.view)):
        count, error = read_fully(medium, piece, buffer)
        if error is not None:
            return None
        content.update(buffer.view[:count])
    return content.digest()


def read_through(medium: Medium, buffer: Buffer, end: int) -> Callable[[int, int], bytes]:
    """Return a function that reads (offset, length) of a medium's first `end` bytes, whatever their alignment."""

    def read(offset: int, length: int) -> bytes:
        first = offset // _UNIT_BYTES * _UNIT_BYTES
        content = b""
        for piece in pieces(Area.between(first, min(offset + length, end)), _UNIT_BYTES):
            unit = Area.between(piece.offset, min(piece.offset + _UNIT_BYTES, end))
            count, error = read_fully(medium, unit, buffer)
            content += bytes(buffer.view[:count])
            if error is not None:
                break
        return content[offset - first : offset - first + length]

    return read
