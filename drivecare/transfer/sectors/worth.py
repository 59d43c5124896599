"""What a byte is worth by what lies there: what is used comes before what is free.

Four ranks, each byte in the first that holds it; what is in none of them is free, or lies in no partition:

| rank | what lies there |
|---|---|
| asked | what had to be read to know the others |
| structures | partition tables, and what file systems keep for themselves |
| used | what files use, and all that is not known to be free |
| doubtful | free by a record that cannot be relied on: the file system was not unmounted cleanly |
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

from drivecare.documents import Value
from drivecare.transfer.areas import Area, close_gaps, intersect, uncovered, widen

Rank = tuple[Area, ...]

# A byte counts so many times as much as one of the next rank. So pieces of damage in used space are read again before
# free space, where they come well; its single sectors are not. Our judgement, from `tests/benchmarks/used_table.py`.
_STEP = 30.0


class UsedSpace(Value, frozen=True, kw_only=True):
    """What lies where on a drive, in the four ranks. Areas may overlap, and need not be in order."""

    asked: Rank = ()
    structures: Rank = ()
    used: Rank = ()
    doubtful: Rank = ()

    def ranks(self, total: int, *, gap_bytes: int, unit_bytes: int) -> tuple[Rank, ...]:
        """The ranks without their overlaps, cut at multiples of `unit_bytes`.

        A gap of less than `gap_bytes` is read with what is around it: to pass over it would take as long.
        """
        ranks, taken = list[Rank](), Rank()
        for areas in (self.asked, self.structures, self.used, self.doubtful):
            whole_units = widen(areas, unit_bytes, total)
            joined = close_gaps((*taken, *whole_units), gap_bytes if ranks else 1)  # what was asked is known to a byte
            ranks.append(tuple(intersect(joined, uncovered(taken, Area.between(0, total)))))
            taken = joined
        return tuple(ranks)


class Worth:
    """How much a byte counts, by its rank; 1 where no rank holds it."""

    def __init__(self, ranks: Sequence[Rank]) -> None:
        self._ranks = [([area.offset for area in areas], [area.end for area in areas]) for areas in ranks]

    def of_rank(self, number: int) -> float:
        """What a byte of this rank counts, from 0 on."""
        return _STEP ** (len(self._ranks) - number)

    def of(self, start: int, end: int) -> float:
        """What a read counts for each byte: as the most valuable of them."""
        for number, (starts, ends) in enumerate(self._ranks):
            index = bisect_right(starts, end - 1) - 1
            if index >= 0 and ends[index] > start:
                return self.of_rank(number)
        return 1.0
