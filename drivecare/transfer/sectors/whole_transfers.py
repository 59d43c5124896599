"""Whole transfers over a port whose reads and writes may come back short."""

from __future__ import annotations

import errno
import hashlib
from collections.abc import Iterator

from drivecare.transfer.areas import Area, area, merge, pieces
from drivecare.transfer.medium import Buffer, Gone, Medium

# Runs of zeros this long, at multiples of it, become holes in an image.
HOLE_BYTES = 64 << 10
_ZEROS = bytes(HOLE_BYTES)


def read_fully(medium: Medium, where: Area, buffer: Buffer) -> tuple[int, OSError | None]:
    """Read `where` into the start of the buffer: the bytes that came, and the error that ended it, if one did.

    Raises Gone where the medium ends before its size: a drive that was pulled reads like that.
    """
    done = 0
    while done < where.length:
        rest = Buffer(buffer.view[done:], buffer.position + done)
        try:
            count = medium.read(where.offset + done, rest, where.length - done)
        except OSError as error:
            return done, error
        if count == 0:
            raise Gone(f"{medium.path} ended at byte {where.offset + done:,}, before its size")
        done += count
    return done, None


def write_fully(medium: Medium, where: Area, buffer: Buffer) -> None:
    """Write the start of the buffer to `where`, leaving holes for zeros where the medium can. Raises OSError."""
    for part, zero in _parts(where, buffer) if medium.sparse else ((where, False),):
        if zero:
            medium.punch(part)
            continue
        position = part.offset
        while position < part.end:
            count = medium.write(position, buffer, position - where.offset, part.end - position)
            if count == 0:
                raise OSError(errno.ENOSPC, "nothing more can be written")
            position += count


def _parts(where: Area, buffer: Buffer) -> Iterator[tuple[Area, bool]]:
    """`where` as runs that are all zero or not."""
    data = bytes(buffer.view[: where.length])
    zero = merge(
        piece
        for piece in pieces(where, HOLE_BYTES)
        if data.startswith(_ZEROS[: piece.length], piece.offset - where.offset)
    )
    position = where.offset
    for hole in zero:
        if position < hole.offset:
            yield area(position, hole.offset), False
        yield hole, True
        position = hole.end
    if position < where.end:
        yield area(position, where.end), False


def hash_area(medium: Medium, where: Area, buffer: Buffer) -> bytes | None:
    """SHA-256 of what the medium holds at `where`; None where it cannot be read."""
    found = hashlib.sha256()
    for piece in pieces(where, len(buffer.view)):
        done, error = read_fully(medium, piece, buffer)
        if error is not None:
            return None
        found.update(buffer.view[:done])
    return found.digest()
