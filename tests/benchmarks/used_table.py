"""How soon what is used of a damaged drive is safe, where it is known what is used and where it is not.

usage: python -m tests.benchmarks.used_table

30 % of each drive is in use: files of all sizes, scattered. The failing drive is that of the curve in
docs/copy-policy.md; the others, with far more damage, are those of `damage_table`. Ends with 1 where the used bytes of
the failing drive are not safe in less than 40 % of the time of the plain order.
"""

from __future__ import annotations

import dataclasses
import random
import sys
from bisect import bisect_right
from collections.abc import Callable
from typing import NamedTuple

from drivecare.transfer.areas import Area, intersect, merge, total, uncovered
from drivecare.transfer.sectors.damage import Attempt, DamagePolicy, Outcome, ReadingOrder
from drivecare.transfer.sectors.receipt import chunk_bytes_for
from drivecare.transfer.sectors.stages import Stages
from drivecare.transfer.sectors.worth import UsedSpace
from tests.benchmarks.damage_models import MIB, MODELS, SECTOR, DamagedDrive, damaged_drive
from tests.transfer.sectors.failing_drive import TENTH, FailingDrive
from tests.transfer.sectors.fake_medium import buffers

SEEDS = (1, 2, 3)
USED, SAFE, MOST_TIME = 0.3, 0.99, 0.4


class Times(NamedTuple):
    """After how many hours 99 % of the readable used bytes were safe, and 99 % of all that is readable."""

    used: float
    everything: float


class ModelledDrive(NamedTuple):
    """What both kinds of drives have in common. `now`: the seconds that its reads have taken."""

    size_bytes: int
    damage: tuple[Area, ...]
    answer: Callable[[Attempt], Outcome]
    now: Callable[[], float]


def failing_drive(seed: int) -> ModelledDrive:
    """A tenth of a terabyte that fails here and there, and never drops off its bus."""
    drive = FailingDrive(dataclasses.replace(TENTH, drops=0), seed)
    (buffer,) = buffers(DamagePolicy().block_bytes, 1)

    def answer(attempt: Attempt) -> Outcome:
        began = drive.now
        try:
            length = drive.read(attempt.area.offset, buffer, attempt.area.length)
        except OSError:
            length = 0
        return Outcome(length, drive.now - began)

    return ModelledDrive(drive.size_bytes, drive.damage, answer, lambda: drive.now)


def much_damaged_drive(model: str, seed: int) -> ModelledDrive:
    """A drive of `damage_models`."""
    drive: DamagedDrive = damaged_drive(model, seed)
    size = drive.readable_bytes + total(drive.damage)
    return ModelledDrive(size, drive.damage, drive.answer, lambda: drive.seconds)


def used_space(size: int, seed: int) -> UsedSpace:
    """Structures at the start and in the middle, and files until 30 % of the drive is in use."""
    chance, files = random.Random(seed), list[Area]()
    structures = (Area(offset=MIB, length=64 * MIB), Area(offset=size // 2 // SECTOR * SECTOR, length=16 * MIB))
    room = int(size * USED) - total(structures)
    while room > 0:
        length = min(int(2 ** chance.uniform(16, 29)) // SECTOR * SECTOR, max(room // SECTOR * SECTOR, SECTOR))
        files.append(Area(offset=chance.randrange((size - length) // SECTOR) * SECTOR, length=length))
        room -= length
    return UsedSpace(structures=structures, used=tuple(files))


def follow(drive: ModelledDrive, known: UsedSpace, *, used_first: bool) -> Times:
    """Read until both shares are safe."""
    policy, size = DamagePolicy(), drive.size_bytes
    ranks = known.ranks(size, gap_bytes=chunk_bytes_for(size), unit_bytes=policy.piece_bytes) if used_first else ()
    reads = ReadingOrder(Stages(size), policy, SECTOR).reads(ranks)
    used, whole = merge((*known.structures, *known.used)), Area(offset=0, length=size)
    ends = [area.end for area in used]
    of_all = SAFE * total(uncovered(drive.damage, whole))
    of_used = SAFE * total(intersect(used, uncovered(drive.damage, whole)))
    attempt, safe, safe_used, used_at = next(reads), 0, 0, 0.0
    while not used_at or safe < of_all:
        outcome = drive.answer(attempt)
        safe += outcome.length
        read = Area(offset=attempt.area.offset, length=outcome.length)
        near = used[bisect_right(ends, read.offset) : bisect_right(ends, read.end) + 1]
        safe_used += total(intersect(near, (read,)))
        if not used_at and safe_used >= of_used:
            used_at = drive.now() / 3600
        attempt = reads.send(outcome)
    return Times(used_at, drive.now() / 3600)


def compare(build: Callable[[int], ModelledDrive], seed: int) -> tuple[Times, Times]:
    """The plain order's times, and those of the order by what is used."""
    plain, first = (
        follow(drive, used_space(drive.size_bytes, seed), used_first=used_first)
        for used_first, drive in ((False, build(seed)), (True, build(seed)))
    )
    return plain, first


def main() -> int:
    """Print the table; 1 where the failing drive misses the limit."""
    failures = 0
    print(f"{'drive':16} seed  99 % of the used: plain  used first  share   99 % of all: plain  used first")
    builders = {model: lambda seed, model=model: much_damaged_drive(model, seed) for model in MODELS}
    for name, build in ({"failing drive": failing_drive} | builders).items():
        for seed in SEEDS:
            plain, first = compare(build, seed)
            late = name == "failing drive" and first.used >= MOST_TIME * plain.used
            failures += late
            print(
                f"{name:16} {seed:4} {plain.used:22.2f} h {first.used:9.2f} h {first.used / plain.used:6.0%}"
                f" {plain.everything:18.2f} h {first.everything:9.2f} h{' MISSED' * late}",
                flush=True,
            )
    return int(failures > 0)


if __name__ == "__main__":
    sys.exit(main())
