"""Tell a medium that has gone from one that is badly damaged, when both answer read after read with an error.

The kernel's word (`Medium.present`) comes first: the size and the number of the attachment. It does not settle the
matter, for a drive that fell off its bus, or a dock that lost its drive, may stay attached with its full size. So the
medium is read where it was readable before and, failing that, at places spread over its whole length. One good sector
of either kind shows that it is there; docs/copy-policy.md argues the numbers.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from itertools import accumulate

from drivecare.transfer.areas import Area
from drivecare.transfer.medium import Buffer, Medium
from drivecare.transfer.sectors.whole_transfers import read_fully

# After this many failed reads in a row, the medium has to show that it still reads anything at all.
FAILURES_BEFORE_DOUBT = 8
# Sectors read of each kind before a medium is given up.
PLACES = 32
# Multiples of the golden section fall evenly between one another, so each doubt reads sectors of its own.
_GOLDEN_SECTION = 0.618_033_988_749_895


class Doubt:
    """The doubts about one medium in one session. Each reads different sectors, so that no cache answers for it."""

    def __init__(self, medium: Medium) -> None:
        self._medium = medium
        self._count = 0

    def still_reads(self, readable_before: Sequence[Area], buffer: Buffer) -> bool:
        """Tell whether the medium still reads a sector anywhere. Raises Gone, Stuck."""
        shift = self._count * _GOLDEN_SECTION % 1
        self._count += 1
        if not self._medium.direct:
            self._medium.bypass_cache()
        whole = (Area.between(0, self._medium.size_bytes),)
        return any(self._reads(offset, buffer) for areas in (readable_before, whole) for offset in spread(areas, shift))

    def _reads(self, offset: int, buffer: Buffer) -> bool:
        start = offset // self._medium.sector_bytes * self._medium.sector_bytes
        sector = Area.between(start, min(start + self._medium.sector_bytes, self._medium.size_bytes))
        return read_fully(self._medium, sector, buffer)[1] is None


def spread(areas: Sequence[Area], shift: float) -> Iterator[int]:
    """Offsets of up to `PLACES` bytes, evenly spread over `areas`; `shift` (0 to 1) moves all of them."""
    ends = list(accumulate(area.length for area in areas))
    count = ends[-1] if ends else 0
    for number in range(min(PLACES, count)):
        position = min(int((number + shift) * count / PLACES), count - 1)
        index = bisect_right(ends, position)
        yield areas[index].end - (ends[index] - position)
