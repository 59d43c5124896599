"""How a damaged source is read: order and budget, in one place.

Good data first. Each pass takes the areas that wait for it, so the whole drive has had a pass before the next begins:

| stage waiting for | reads of | what happens |
|---|---|---|
| sweep | 4 MiB | forwards over everything unread; near failures it leaps ahead, farther with every one |
| return | 4 MiB | what was leapt over, backwards, so that damage is met from its other side |
| edges | 64 KiB | every block that failed, from both ends inwards until a read fails |
| inside | 64 KiB | what lies between those two failures |
| sector edges, sector inside | physical sector | the same again around every 64 KiB that failed |
| retries | physical sector | every sector that failed, a bounded number of times |

So a bad sector is touched at most once by a pass: `DamagePolicy.touches`. What fails the last retry is unreadable.
Errors of the way to the drive (a reset, a timeout) count only if the drive answers afterwards:
`transfer.sectors.reader`.
"""

from __future__ import annotations

from collections.abc import Generator, Iterable
from dataclasses import dataclass

from drivecare.documents import Value
from drivecare.transfer.areas import Area, pieces
from drivecare.transfer.sectors.stages import COPIED, UNREAD, Stages

SWEEP = UNREAD
RETURN, EDGES, INSIDE, SECTOR_EDGES, SECTOR_INSIDE, RETRIES = range(1, 7)


class DamagePolicy(Value, frozen=True, kw_only=True):
    """Sizes in bytes. `retries`: further reads of a sector after the first that failed by itself."""

    block_bytes: int = 4 << 20
    piece_bytes: int = 64 << 10
    retries: int = 2
    farthest_leap_bytes: int = 1 << 30
    damage_seconds: float | None = None  # after this long on damage, stop and say how to continue

    @property
    def unreadable(self) -> int:
        """The stage of what has failed every pass."""
        return RETRIES + self.retries

    @property
    def touches(self) -> int:
        """The most reads that may touch one bad sector: one of each size, and the retries."""
        return 3 + self.retries


@dataclass(frozen=True, slots=True)
class Attempt:
    """Read this; what fails of it goes to `otherwise`."""

    area: Area
    otherwise: int

    @property
    def on_damage(self) -> bool:
        """Whether this comes back to what has failed before."""
        return self.otherwise > EDGES


@dataclass(frozen=True, slots=True)
class Leap:
    """Leave this for the return."""

    area: Area


ReadStep = Attempt | Leap
# A pass yields steps and is sent how many bytes of an attempt were read.
Pass = Generator[ReadStep, int, None]


def passes(stages: Stages, policy: DamagePolicy, sector_bytes: int) -> Pass:
    """All reads of a copy, in order. `stages` is brought up to date here, by what is sent back."""
    block, piece = policy.block_bytes, max(policy.piece_bytes, sector_bytes)
    yield from _sweep(stages, policy)
    yield from _all(stages, RETURN, block, EDGES, backwards=True)
    yield from _edges(stages, EDGES, piece, INSIDE, SECTOR_EDGES)
    yield from _all(stages, INSIDE, piece, SECTOR_EDGES)
    yield from _edges(stages, SECTOR_EDGES, sector_bytes, SECTOR_INSIDE, RETRIES)
    yield from _all(stages, SECTOR_INSIDE, sector_bytes, RETRIES)
    for retry in range(policy.retries):
        yield from _all(stages, RETRIES + retry, sector_bytes, RETRIES + retry + 1)


def _attempt(stages: Stages, area: Area, otherwise: int) -> Generator[ReadStep, int, bool]:
    """One read; whether all of it came."""
    count = yield Attempt(area, otherwise)
    stages.assign(Area.between(area.offset, area.offset + count), COPIED)
    stages.assign(Area.between(area.offset + count, area.end), otherwise)
    return count == area.length


def _sweep(stages: Stages, policy: DamagePolicy) -> Pass:
    """Forwards in large reads. The leap doubles with a failure and shrinks slowly with every good block."""
    leap, skip_to = 0, 0
    for run in stages.areas(SWEEP):
        for area in pieces(run, policy.block_bytes):
            if area.offset < skip_to:
                stages.assign(area, RETURN)
                yield Leap(area)
            elif (yield from _attempt(stages, area, EDGES)):
                leap = leap * 7 // 8
            else:
                skip_to = area.end + leap
                leap = min(max(policy.block_bytes, leap * 2), policy.farthest_leap_bytes)


def _all(stages: Stages, stage: int, size: int, otherwise: int, *, backwards: bool = False) -> Pass:
    """Every piece of what waits in `stage`."""
    for run in _ordered(stages.areas(stage), backwards):
        for area in _ordered(pieces(run, size), backwards):
            yield from _attempt(stages, area, otherwise)


def _edges(stages: Stages, stage: int, size: int, inside: int, otherwise: int) -> Pass:
    """From both ends of every area inwards until a read fails; what is left between goes to `inside`."""
    for run in stages.areas(stage):
        parts = list(pieces(run, size))
        first, last = 0, len(parts)
        while first < last:
            first += 1
            if not (yield from _attempt(stages, parts[first - 1], otherwise)):
                break
        while first < last:
            last -= 1
            if not (yield from _attempt(stages, parts[last], otherwise)):
                break
        if first < last:
            stages.assign(Area.between(parts[first].offset, parts[last - 1].end), inside)


def _ordered(areas: Iterable[Area], backwards: bool) -> list[Area]:
    return list(areas)[::-1] if backwards else list(areas)
