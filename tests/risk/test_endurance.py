"""What is left of the rated endurance at the drive's own pace, and when the drive does not count it."""

from __future__ import annotations

import pytest

from drivecare.reading.model import Gap, Reading
from drivecare.risk.assess import assess
from drivecare.risk.endurance import describe_endurance
from drivecare.risk.model import Endurance
from drivecare.risk.rules import load_rules
from tests.risk.drives import NVME, hdd, nvme, reading, ssd

SIZE = NVME.capacity_bytes or 0
LIMITS = load_rules().thresholds
UNCOUNTED_WRITES = LIMITS.endurance_uncounted_writes.value


def _describe(drive: Reading) -> Endurance | None:
    return describe_endurance(drive, LIMITS)


@pytest.mark.parametrize(
    ("used", "hours", "years", "words"),
    [
        (
            49,
            8_766,
            1.0,
            "49 % used in 8,766 powered-on hours; at this pace the rest may last less than two years",
        ),
        (24, 8_766, 3.0, "the rest lasts 3 years or more"),
        (0, 8_766, 20, "less than 1 % used in 8,766 powered-on hours; at this pace the rest lasts 20 years or more"),
        (99, 20_000, 0.0, "may last less than two years"),
    ],
)
def test_the_years_are_the_least_that_the_percentage_allows(used: int, hours: int, years: float, words: str) -> None:
    endurance = _describe(nvme(wear_percent_used=used, power_on_hours=hours, host_bytes_written=SIZE))
    assert endurance is not None
    assert endurance.years_left == years
    assert words in endurance.text
    assert endurance.counted


def test_more_wear_in_the_same_time_never_leaves_more_years() -> None:
    answers = [_describe(nvme(wear_percent_used=used, power_on_hours=9_000)) for used in range(256)]
    years = [answer.years_left for answer in answers if answer is not None and answer.years_left is not None]
    assert len(years) == 256
    assert years == sorted(years, reverse=True)


def test_wear_that_is_not_counted() -> None:
    at_limit = nvme(wear_percent_used=0, power_on_hours=9_000, host_bytes_written=UNCOUNTED_WRITES * SIZE)
    endurance = _describe(at_limit)
    assert endurance is not None
    assert (endurance.counted, endurance.years_left) == (False, None)
    assert "does not count its wear" in endurance.text
    below = _describe(nvme(wear_percent_used=0, power_on_hours=9_000, host_bytes_written=UNCOUNTED_WRITES * SIZE - 1))
    assert below is not None
    assert below.counted


def test_nothing_rated_is_left() -> None:
    endurance = _describe(nvme(wear_percent_used=117))
    assert endurance is not None
    assert (endurance.years_left, endurance.text) == (0.0, "117 % is used, so nothing of it is left.")


def test_where_nothing_can_be_told() -> None:
    blocked = reading(NVME, values={"wear_percent_used": 3}, gaps=(Gap(code="table-junk", what="Junk.", blocks=True),))
    for drive in (
        hdd(),
        ssd(wear_percent_used=None),
        nvme(wear_percent_used=3, power_on_hours=100),
        nvme(wear_percent_used=3, power_on_hours=None),
        blocked,
    ):
        assert _describe(drive) is None
    assert assess(blocked).endurance is None
