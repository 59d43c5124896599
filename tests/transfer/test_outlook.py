"""How long until 99 % are safe, as it looks: never before a pace is known, and between the best and the latest one."""

from __future__ import annotations

import math

import pytest

from drivecare.transfer.medium import Progress
from drivecare.transfer.outlook import Outlook

TOTAL = 100_000_000


def after(*reports: tuple[float, int], doubtful: int = 0) -> tuple[float, float] | None:
    """What is said after (seconds, bytes done) of a drive of 100 MB, `doubtful` of it passed over by then."""
    outlook = Outlook()
    for seconds, done in reports:
        progress = Progress("copying", done, TOTAL, TOTAL - done - doubtful, doubtful)
        outlook.add(seconds, progress)
    return outlook.seconds_left(progress)


def test_nothing_is_said_before_there_is_a_pace() -> None:
    assert after((0, 0)) is None
    assert after((0, 0), (4, 1_000_000)) is None


def test_a_steady_pace_leaves_no_doubt() -> None:
    assert after(*((seconds, seconds * 1_000_000) for seconds in range(51))) == pytest.approx((49, 49), rel=0.02)


SWEEP = [(seconds, seconds * 1_000_000) for seconds in range(0, 51, 5)]
DAMAGE = [(50 + seconds, 50_000_000 + seconds * 10_000) for seconds in range(5, 51, 5)]


def test_damage_widens_the_range() -> None:
    """99 % can do without what is doubtful so far, so it is the mean pace that counts."""
    least, most = after(*SWEEP, *DAMAGE, doubtful=10_000) or (0, 0)
    assert least == pytest.approx(48.5)
    assert most == pytest.approx(48.5 * 100 / 50.5)


def test_nobody_knows_how_much_comes_back_from_damage() -> None:
    least, most = after(*SWEEP, *DAMAGE, doubtful=10_000_000) or (0, 0)
    assert least == pytest.approx(48.5)
    assert most == math.inf


def test_coming_back_to_damage_has_a_pace_of_its_own() -> None:
    outlook = Outlook()
    outlook.add(0, Progress("copying", 0, TOTAL, TOTAL))
    outlook.add(50, Progress("copying", 50_000_000, TOTAL, 10_000_000, 40_000_000))
    outlook.add(59, Progress("copying", 59_000_000, TOTAL, 1_000_000, 40_000_000))
    last = Progress("copying", 60_000_000, TOTAL, 0, 40_000_000)
    outlook.add(159, last)
    least, most = outlook.seconds_left(last) or (0, 0)
    assert least == pytest.approx(39 * 100)
    assert most == math.inf


def test_nothing_is_left_once_99_of_a_hundred_are_safe() -> None:
    assert after((0, 99_000_000)) == (0, 0)
