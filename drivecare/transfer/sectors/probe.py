"""Does an empty target really have the size it claims?

A counterfeit drive writes whatever goes beyond its true size over earlier data. Marks that name their own offset go to
spread offsets, all of them before the first is read back; a drive that wraps around then holds a later mark where an
earlier one was put.
"""

from __future__ import annotations

from collections.abc import Iterator

from drivecare.errors import Refused
from drivecare.transfer.areas import Area
from drivecare.transfer.medium import Buffer, Medium
from drivecare.transfer.sectors.whole_transfers import read_fully, write_fully

MARK_BYTES = 4096
SPREAD = 256


def probe_target(target: Medium, buffer: Buffer) -> None:
    """Write marks, flush, read them back past the cache, wipe them. Raises Refused where one does not come back."""
    offsets = sorted(set(_offsets_to_mark(target.size_bytes)))
    try:
        for offset in offsets:
            _write_mark(target, offset, _mark(offset), buffer)
        target.flush()
        target.bypass_cache()
        for offset in offsets:
            count, error = read_fully(target, Area.between(offset, offset + MARK_BYTES), buffer)
            if error is not None:
                raise error
            if bytes(buffer.view[:count]) != _mark(offset):
                raise _refusal(
                    target, f"a mark written at byte {offset:,} did not come back: it is smaller than it claims"
                )
        for offset in offsets:
            _write_mark(target, offset, bytes(MARK_BYTES), buffer)
    except OSError as error:
        raise _refusal(target, f"it cannot keep what is written to it: {error.strerror or error}") from error


def _write_mark(target: Medium, offset: int, data: bytes, buffer: Buffer) -> None:
    buffer.view[:MARK_BYTES] = data
    write_fully(target, Area.between(offset, offset + MARK_BYTES), buffer)


def _refusal(target: Medium, problem: str) -> Refused:
    hint = "Do not use it; send it back. It holds our marks now"
    return Refused(f"the target is faulty: {problem}", guard="probe", location=target.path, hint=hint)


def _offsets_to_mark(size: int) -> Iterator[int]:
    """Evenly spread offsets, and both sides of every power of two, where the true size usually lies."""
    last = size // MARK_BYTES - 1
    for number in range(SPREAD + 1):
        yield last * number // SPREAD * MARK_BYTES
    power = 1
    while power <= last:
        yield (power - 1) * MARK_BYTES
        yield power * MARK_BYTES
        power *= 2


def _mark(offset: int) -> bytes:
    return f"drivecare: a mark for byte {offset:020d} of an empty target\n".encode().ljust(MARK_BYTES, b"\0")
