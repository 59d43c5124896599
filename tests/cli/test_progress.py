"""What is shown while a damaged drive is copied."""

from __future__ import annotations

import math

import pytest

from drivecare.cli.progress import describe_damage
from drivecare.transfer.medium import Progress

PROGRESS = Progress("copying", 45_100_000_000, 100_000_000_000, 54_880_000_000, 12_600_000)
AMOUNTS = "promising 54.9 GB, doubtful 12.6 MB"


@pytest.mark.parametrize(
    ("seconds_left", "words"),
    [
        (None, AMOUNTS),
        ((960, 8280), f"{AMOUNTS}; 99 % safe in 16 min to 2.3 h so far"),
        ((960, 970), f"{AMOUNTS}; 99 % safe in 16 min so far"),
        ((130, 170), f"{AMOUNTS}; 99 % safe in 2 to 3 min so far"),
        ((3, 8280), f"{AMOUNTS}; 99 % safe in 1 min to 2.3 h so far"),
        ((960, math.inf), f"{AMOUNTS}; 99 % safe in 16 min at the earliest"),
        ((0, 0), f"{AMOUNTS}; more than 99 % safe"),
    ],
)
def test_the_line_below_the_bar(seconds_left: tuple[float, float] | None, words: str) -> None:
    assert describe_damage(PROGRESS, seconds_left) == words
    assert len(words) < 80
