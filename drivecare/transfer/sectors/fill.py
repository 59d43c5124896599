"""What the target holds where the source could not be read: text that names its own place.

Every 512 bytes carry the source's byte offset, so that `grep -a "could not be read"` finds a file that was hit, and
nobody takes the fill for data.
"""

from __future__ import annotations

from drivecare.transfer.areas import Area

UNIT_BYTES = 512
FILL = "drivecare: the source could not be read at byte {offset:020d}\n"
_PADDING = b"." * UNIT_BYTES


def fill_bytes(where: Area) -> bytes:
    """The fill for an area; the same for every byte however the area is cut."""
    first = where.offset // UNIT_BYTES * UNIT_BYTES
    units = b"".join(_unit(offset) for offset in range(first, where.end, UNIT_BYTES))
    return units[where.offset - first : where.end - first]


def _unit(offset: int) -> bytes:
    return (FILL.format(offset=offset).encode("ascii") + _PADDING)[:UNIT_BYTES]
