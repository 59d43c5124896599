"""How soon shares of a damaged drive are safe, by the order of reading and by the one before it.

usage: python -m tests.benchmarks.damage_table [MODEL ...]

Prints every model and seed, and how much longer the rest takes after a resume that knows the map alone; ends with 1
where a wanted factor is missed.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from typing import NamedTuple

from drivecare.transfer.sectors.damage import DamagePolicy, ReadingOrder, Reads
from drivecare.transfer.sectors.stages import Stages
from tests.benchmarks.damage_models import MODELS, SECTOR, SIZE, DamagedDrive, damaged_drive
from tests.benchmarks.former_order import former_order

SEEDS = (1, 2, 3)
SHARES = (0.9, 0.99, 0.999, 0.9999)
# At least so many times sooner than the former order, by share. 0.95: never more than 5 % later.
WANTED: dict[str, dict[float, float]] = {
    "clusters": {0.99: 0.95, 0.999: 0.95, 0.9999: 1.3},
    "scratch": {0.99: 0.95, 0.999: 0.95},
    "64 of 512 MiB": {0.9: 3.5, 0.99: 4, 0.999: 3},
    "8 of 64 MiB": {0.9: 3, 0.99: 0.95},
    "shrinking bands": {0.99: 3, 0.999: 2.5},
    "dropouts": {0.99: 0.95, 0.999: 0.95},
    "transient": {0.99: 0.95, 0.999: 0.95},
    "slow, then bad": {0.9999: 1.3},
}
# A resume knows the map alone; what is left to do then takes at most a quarter longer.
FORGET_AT, MOST_SLOWER = (0.5, 0.9), 1.25
Order = Callable[[Stages, DamagePolicy, int], Reads]


class Safe(NamedTuple):
    """After how many hours a share was safe, and how many reads had failed by then."""

    hours: float
    failed: int


def present_order(stages: Stages, policy: DamagePolicy, sector_bytes: int) -> Reads:
    """The order that ships."""
    return ReadingOrder(stages, policy, sector_bytes).reads()


def follow(
    order: Order, drive: DamagedDrive, shares: tuple[float, ...], forget_at: tuple[float, ...] = ()
) -> Iterator[Safe]:
    """Read until each share is safe. At the shares of `forget_at` all but the map is forgotten, as by a resume."""
    stages, copied, remaining, forgettings = Stages(SIZE), 0, list(shares), list(forget_at)
    reads = order(stages, DamagePolicy(), SECTOR)
    attempt = next(reads)
    while remaining:
        outcome = drive.answer(attempt)
        copied += outcome.length
        while remaining and copied >= remaining[0] * drive.readable_bytes:
            remaining.pop(0)
            yield Safe(drive.seconds / 3600, drive.failed)
        attempt = reads.send(outcome)
        if forgettings and copied >= forgettings[0] * drive.readable_bytes:
            forgettings.pop(0)
            reads = order(stages, DamagePolicy(), SECTOR)
            attempt = next(reads)


def compare(model: str, seed: int) -> Iterator[tuple[float, Safe, Safe]]:
    """Each share up to the last one wanted, by the former order and the present one."""
    shares = tuple(share for share in SHARES if share <= max(WANTED[model]))
    former = follow(former_order, damaged_drive(model, seed), shares)
    present = follow(present_order, damaged_drive(model, seed), shares)
    return zip(shares, former, present, strict=True)


def missed(model: str, share: float, former: Safe, present: Safe) -> bool:
    """Whether the present order is not as much sooner as wanted."""
    return former.hours < WANTED[model].get(share, 0) * present.hours


def slower_after_forgetting(model: str, seed: int, forget_at: float) -> float:
    """How many times longer the rest takes, up to the last share wanted, where a resume knows the map alone."""
    last = max(WANTED[model])
    known_at, known = follow(present_order, damaged_drive(model, seed), (forget_at, last))
    _, forgotten = follow(present_order, damaged_drive(model, seed), (forget_at, last), (forget_at,))
    return (forgotten.hours - known_at.hours) / (known.hours - known_at.hours)


def main(models: list[str]) -> int:
    """Print the table; 1 where a factor is missed."""
    failures = 0
    print(f"{'damage':16} seed   share   former order      present order     sooner  wanted")
    for model in models or MODELS:
        for seed in SEEDS:
            for share, former, present in compare(model, seed):
                wanted = WANTED[model].get(share)
                late = missed(model, share, former, present)
                failures += late
                print(
                    f"{model:16} {seed:4} {share:7.2%} {former.hours:7.2f} h {former.failed:7,}"
                    f" {present.hours:7.2f} h {present.failed:7,} {former.hours / present.hours:9.2f}"
                    f"  {wanted or '':6}{' MISSED' * late}",
                    flush=True,
                )
            for forget_at in FORGET_AT:
                slower = slower_after_forgetting(model, seed, forget_at)
                failures += slower > MOST_SLOWER
                print(
                    f"{model:16} {seed:4} the rest, all but the map forgotten at {forget_at:.1%}, takes"
                    f" {slower:.2f} times as long (at most {MOST_SLOWER:g}){' MISSED' * (slower > MOST_SLOWER)}",
                    flush=True,
                )
    return int(failures > 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
