"""History: growth is worse than a steady count, and a recheck that was done becomes refit only with proof."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from drivecare.reading.model import Reading
from drivecare.reading.surface import SlowArea, UnreadableArea
from drivecare.risk.assess import assess
from tests.risk.drives import HDD, NVME, hdd, nvme, reading
from tests.risk.scenarios import EARLIER, scan

GB = 10**9


def earlier(now: Reading, **values: Any) -> Reading:
    """The same drive five days and 20 running hours before."""
    hours = (now.values.power_on_hours or 0) - 20
    return msgspec.structs.replace(
        now, read_at=EARLIER, values=msgspec.structs.replace(now.values, **({"power_on_hours": hours} | values))
    )


@pytest.mark.parametrize(
    ("name", "steady"),
    [("reallocated", "recheck"), ("reported_uncorrectable", "replace"), ("offline_uncorrectable", "replace")],
)
def test_growth_is_a_finding_and_a_steady_count_is_not(name: str, steady: str) -> None:
    now = hdd(**{name: 6})
    grown = assess(now, history=[earlier(now, **{name: 2})])
    still = assess(now, history=[earlier(now)])
    assert (grown.verdict, still.verdict) == ("replace", steady)
    (growth,) = (finding for finding in grown.findings if finding.signal == f"{name}_growth")
    assert (growth.observed, growth.detail) == (4, f"{name.replace('_', ' ')} 2, now 6")
    assert not any(finding.signal.endswith("_growth") for finding in still.findings)


@pytest.mark.parametrize(
    ("read_gb", "verdict"), [(None, "recheck"), (0, "recheck"), (99, "recheck"), (100, "refit"), (4_000, "refit")]
)
def test_link_recheck_is_done_after_the_stated_amount(read_gb: int | None, verdict: str) -> None:
    now = hdd(crc_errors=12, host_bytes_read=None if read_gb is None else 7 * GB + read_gb * GB)
    assessment = assess(now, history=[earlier(now, host_bytes_read=7 * GB)])
    assert assessment.verdict == verdict
    if verdict == "refit":
        (finding,) = assessment.findings
        assert finding.severity == "note"
        assert finding.why.endswith(
            f"No growth since {EARLIER} while {read_gb:,} GB were read, by the drive's own count."
        )


@pytest.mark.parametrize(
    ("counts", "before", "now", "due"),
    [
        ({"crc_errors": 72_380}, {"host_bytes_read": 7 * GB}, {"host_bytes_read": 8 * GB}, "100 GB were"),
        ({"reallocated": 2}, {}, {}, "its whole surface was"),
    ],
    ids=["link", "surface"],
)
def test_a_recheck_without_growth_says_so_before_enough_was_read(
    counts: dict[str, Any], before: dict[str, Any], now: dict[str, Any], due: str
) -> None:
    reading = hdd(**counts, **now)
    assessment = assess(reading, history=[earlier(reading, **counts, **before)])
    (finding,) = assessment.findings
    ((name, count),) = counts.items()
    assert (assessment.verdict, finding.signal) == ("recheck", name)
    counted = f"{count:,} before, {count:,} now"
    assert finding.detail == f"{counted}: no growth, which counts once {due} read in between"


def test_growth_while_it_was_read_keeps_the_recheck() -> None:
    now = hdd(crc_errors=13, host_bytes_read=900 * GB)
    assert assess(now, history=[earlier(now, crc_errors=12, host_bytes_read=0)]).verdict == "recheck"


@pytest.mark.parametrize(
    ("changes", "verdict"),
    [
        ({}, "refit"),
        ({"bytes_read": 5 * GB, "sample_percent": 1.0}, "recheck"),
        ({"complete": False}, "recheck"),
        ({"started": "2026-11-19T07:00:00+00:00"}, "recheck"),
        ({"finished": "2026-11-25T12:00:00+00:00"}, "recheck"),
        ({"serial": "ANOTHER"}, "recheck"),
        ({"slow": (SlowArea(offset=0, length=512, milliseconds=90, expected_milliseconds=1),)}, "recheck"),
        ({"unreadable": (UnreadableArea(offset=0, length=512),)}, "evacuate"),
    ],
    ids=["whole", "sample", "stopped", "before", "after", "another drive", "slow", "unreadable"],
)
def test_reallocated_sectors_are_cleared_by_a_whole_scan_in_between(changes: dict[str, Any], verdict: str) -> None:
    now = hdd(reallocated=3)
    assert assess(now, history=[earlier(now)], scan=scan(**changes)).verdict == verdict


def test_replace_is_never_cleared_by_reading() -> None:
    now = hdd(reported_uncorrectable=1, host_bytes_read=9_000 * GB)
    assert assess(now, history=[earlier(now, host_bytes_read=0)], scan=scan()).verdict == "replace"


def test_clearing_works_for_values_that_fall() -> None:
    now = nvme(available_spare_percent=10, host_bytes_read=900 * GB)
    assert assess(now, history=[earlier(now, host_bytes_read=0)]).verdict == "refit"
    fallen = nvme(available_spare_percent=10, spare_threshold_percent=5, host_bytes_read=900 * GB)
    before = earlier(fallen, available_spare_percent=11, host_bytes_read=0)
    assert assess(fallen, history=[before]).verdict == "recheck"


def test_other_drives_and_later_readings_are_left_out_and_said() -> None:
    now = hdd(reallocated=3)
    other = reading(NVME)
    later = msgspec.structs.replace(earlier(now, reallocated=0), read_at="2026-12-24T09:00:00+00:00")
    assessment = assess(now, history=[other, later])
    assert assessment.verdict == "recheck"
    assert assessment.limits[-1].startswith("2 of the readings and scans given are of another drive or later")


def test_same_serial_of_another_model_is_another_drive() -> None:
    bare = msgspec.structs.replace(HDD, identity=msgspec.structs.replace(HDD.identity, wwn=None))
    now = reading(bare, values={"reallocated": 3})
    before = msgspec.structs.replace(earlier(now, reallocated=0), drive=msgspec.structs.replace(bare, model="Other"))
    assert assess(now, history=[before]).verdict == "recheck"
    assert assess(now, history=[earlier(now, reallocated=0)]).verdict == "replace"
