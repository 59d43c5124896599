"""What the target holds where the source could not be read: text that names its own place.

Every 512 bytes carry the byte offset in the source, so that `grep -a "could not be read"` finds a damaged file, and
nobody takes the fill for data.
"""

from __future__ import annotations

from drivecare.transfer.areas import Area

UNIT_BYTES = 512
FILL = "drivecare: the source could not be read at byte {offset:020d}\n"
_PADDING = b"." * UNIT_BYTES


def fill_bytes(area: Area) -> bytes:
    """The fill for an area. A byte of it depends on its place alone, however the area is cut."""
    first = area.offset // UNIT_BYTES * UNIT_BYTES
    units = b"".join(_fill_unit(offset) for offset in range(first, area.end, UNIT_BYTES))
    return units[area.offset - first : area.end - first]


def _fill_unit(offset: int) -> bytes:
    return (FILL.format(offset=offset).encode("ascii") + _PADDING)[:UNIT_BYTES]
