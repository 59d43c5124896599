"""Eight kinds of damage on a drive of 100 GB, on a clock of its own: to compare orders of reading.

Every number is invented and fixed, so that runs can be compared: 120 MB/s, 8 ms for a good read on top of its transfer,
3 s for one that fails. Nothing is aligned to the reads of the program.
"""

from __future__ import annotations

import random
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from drivecare.transfer.areas import Area, merge, total
from drivecare.transfer.sectors.damage import Attempt, Outcome

SECTOR = 512
MIB = 1 << 20
SIZE = 100 * 10**9 // SECTOR * SECTOR
_BYTES_PER_SECOND = 120e6
_SLOW_BYTES_PER_SECOND = 4e6
_GOOD_SECONDS, _FAILED_SECONDS = 0.008, 3.0


@dataclass
class DamagedDrive:
    """`late`: sectors that fail so many times and then read. `slow`: zones that read at 4 MB/s."""

    damage: tuple[Area, ...] = ()
    late: dict[int, int] = field(default_factory=dict)
    slow: tuple[Area, ...] = ()
    seconds: float = 0.0
    reads: int = 0
    failed: int = 0

    def __post_init__(self) -> None:
        self.damage, self.slow = merge(self.damage), merge(self.slow)
        self._late = sorted(self.late)
        self._ends = {"bad": [area.end for area in self.damage], "slow": [area.end for area in self.slow]}

    @property
    def readable_bytes(self) -> int:
        return SIZE - total(self.damage)

    def answer(self, attempt: Attempt) -> Outcome:
        """Read it, all or nothing."""
        began, area = self.seconds, attempt.area
        bad = _touches(self.damage, self._ends["bad"], area)
        for offset in self._late[bisect_left(self._late, area.offset) : bisect_left(self._late, area.end)]:
            if self.late[offset] > 0:
                self.late[offset] -= 1
                bad = True
        slow = _touches(self.slow, self._ends["slow"], area)
        self.seconds += area.length / (_SLOW_BYTES_PER_SECOND if slow else _BYTES_PER_SECOND)
        self.seconds += _FAILED_SECONDS if bad else _GOOD_SECONDS
        self.reads += 1
        self.failed += bad
        return Outcome(0 if bad else area.length, self.seconds - began)


def _touches(areas: tuple[Area, ...], ends: list[int], area: Area) -> bool:
    index = bisect_right(ends, area.offset)
    return index < len(areas) and areas[index].offset < area.end


def _sectors(chance: random.Random, least: int, most: int) -> int:
    return chance.randint(least, most) * SECTOR


def _anywhere(chance: random.Random, room: int) -> int:
    return chance.randrange((SIZE - room) // SECTOR) * SECTOR


def _clusters(chance: random.Random) -> DamagedDrive:
    """200 of 1 to 2,000 sectors."""
    longest = 2000 * SECTOR
    return DamagedDrive(
        tuple(Area(offset=_anywhere(chance, longest), length=_sectors(chance, 1, 2000)) for _ in range(200))
    )


def _scratch(chance: random.Random) -> DamagedDrive:
    """1,500 spots of 1 to 40 sectors, one every 1.3 MB."""
    start = _anywhere(chance, 2 * 10**9)
    offsets = [(start + int(spot * 1.3e6)) // SECTOR * SECTOR + _sectors(chance, 0, 199) for spot in range(1500)]
    return DamagedDrive(tuple(Area(offset=offset, length=_sectors(chance, 1, 40)) for offset in offsets))


def _bands(bad: int, every: int, *, shrink_to: float = 1.0) -> Callable[[random.Random], DamagedDrive]:
    """`bad` bytes of every so many, both shrinking evenly towards the end of the drive, as tracks do."""

    def build(chance: random.Random) -> DamagedDrive:
        position, areas = chance.randrange(every // SECTOR) * SECTOR, []
        while position < SIZE:
            scale = 1 - (1 - shrink_to) * position / SIZE
            length = int(bad * scale) // SECTOR * SECTOR
            areas.append(Area.between(position, min(position + length, SIZE)))
            position += int(every * scale) // SECTOR * SECTOR
        return DamagedDrive(tuple(areas))

    return build


def _dropouts(chance: random.Random) -> DamagedDrive:
    """40 zones of 1 to 256 MiB."""
    lengths = [int(2 ** chance.uniform(20, 28)) // SECTOR * SECTOR for _ in range(40)]
    return DamagedDrive(tuple(Area(offset=_anywhere(chance, length), length=length) for length in lengths))


def _transient(chance: random.Random) -> DamagedDrive:
    """500 sectors that read on the third try."""
    return DamagedDrive(late={_anywhere(chance, SECTOR): 2 for _ in range(500)})


def _slow_then_bad(chance: random.Random) -> DamagedDrive:
    """30 slow zones of 50 to 400 MiB with 3 to 20 clusters each, in a quarter of the zone."""
    damage: list[Area] = []
    slow: list[Area] = []
    for _ in range(30):
        length = chance.randint(50, 400) * MIB
        slow.append(Area(offset=_anywhere(chance, length), length=length))
        middle, quarter = slow[-1].offset + length // 2, length // 4
        damage += _spots(chance, middle, quarter, chance.randint(3, 20))
    return DamagedDrive(tuple(damage), slow=tuple(slow))


def _spots(chance: random.Random, start: int, room: int, count: int) -> Iterable[Area]:
    return [
        Area(offset=start + chance.randrange(room // SECTOR) * SECTOR, length=_sectors(chance, 1, 2000))
        for _ in range(count)
    ]


MODELS: dict[str, Callable[[random.Random], DamagedDrive]] = {
    "clusters": _clusters,
    "scratch": _scratch,
    "64 of 512 MiB": _bands(64 * MIB, 512 * MIB),
    "8 of 64 MiB": _bands(8 * MIB, 64 * MIB),
    "shrinking bands": _bands(64 * MIB, 512 * MIB, shrink_to=0.5),
    "dropouts": _dropouts,
    "transient": _transient,
    "slow, then bad": _slow_then_bad,
}


def damaged_drive(model: str, seed: int) -> DamagedDrive:
    """The drive of a model."""
    return MODELS[model](random.Random(seed))
