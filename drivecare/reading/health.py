"""Whether a reading holds health data that a drive can be judged by. Decided here, once, for every room."""

from __future__ import annotations

import re

from drivecare.reading.attributes import AttributeTable
from drivecare.reading.counters import DEFECT_COUNTS
from drivecare.reading.gaps import GapNotes
from drivecare.reading.model import FAILED_TESTS, Gap, Reading, Values
from drivecare.reading.own_verdict import FAILURE_WARNINGS, OwnVerdict

# Any of these speaks for or against the drive; without one, a passing verdict has nothing behind it.
HEALTH_COUNTS = (
    *DEFECT_COUNTS,
    "reallocation_events",
    "wear_percent_used",
    "media_errors",
    "grown_defects",
    "uncorrected_reads",
    "uncorrected_writes",
    "uncorrected_verifies",
    "background_scan_errors",
    "background_scan_unreadable",
)
# The rows a drive's health rests on; a table without any of them says nothing either way.
_CORE_ROWS = frozenset({5, 177, 187, 196, 197, 198, 202, 231, 233})


def ata_tells_health(table: AttributeTable, statistics: dict[str, int]) -> bool:
    """Whether the table, if it can be true, or the standard statistics speak of the drive's health."""
    if statistics.keys() & {"reallocated", "reported_uncorrectable", "wear_percent_used"}:
        return True
    core = any(row.id in _CORE_ROWS or re.search("life|wear", row.name or "", re.I) for row in table.rows)
    return core and table.untrue is None


def nvme_tells_health(values: Values) -> bool:
    """Whether the health log came through: two of the three numbers that speak of health."""
    numbers = (values.available_spare_percent, values.wear_percent_used, values.media_errors)
    return sum(number is not None for number in numbers) >= 2


def scsi_tells_health(values: Values) -> bool:
    """Whether one of the numbers that speak of health came through."""
    return (values.uncorrected_reads, values.grown_defects, values.wear_percent_used) != (None, None, None)


def stand_in_code(virtual: str) -> str:
    """The gap of what stands in for a drive: there are drives behind a controller, but none in an enclosure's place."""
    return "raid-virtual" if virtual.startswith(("a RAID", "a controller")) else "not-a-drive"


def note_missing_health(health: bool, verdict: OwnVerdict, values: Values, gaps: GapNotes) -> None:
    """Note that there is no health data, where neither an alarm nor another gap says as much already."""
    newest = values.last_selftest
    alarm = verdict.says == "failing" or (newest is not None and newest.result in FAILED_TESTS)
    alarm = alarm or bool(FAILURE_WARNINGS & set(values.critical_warnings or ()))
    if not health and not alarm and not gaps.blocking:
        gaps.note("no-health-data", "This report holds no health data to judge by.")


def missing_health(reading: Reading) -> tuple[Gap, ...]:
    """What leaves a reading without usable health data; empty where it has some.

    Its blocking gaps. Where it has none, what its values lack: it may be a row of a table or written by hand, or the
    drive raises an alarm without a number behind it.
    """
    if blocking := tuple(gap for gap in reading.gaps if gap.blocks):
        return blocking
    drive = reading.drive
    if drive.virtual is not None:
        return (_blocking(stand_in_code(drive.virtual), f"it is {drive.virtual}, not a drive"),)
    if drive.smart in ("off", "unsupported"):
        return (_blocking(f"smart-{drive.smart}", f"SMART is {drive.smart}"),)
    if not _says_anything(reading):
        return (_blocking("no-health-data", "it names the drive and nothing about its health"),)
    return ()


def _says_anything(reading: Reading) -> bool:
    values = reading.values
    counted = any(getattr(values, name) is not None for name in HEALTH_COUNTS)
    warned = reading.drive.protocol == "nvme" and values.critical_warnings is not None
    rows = any(row.value and row.threshold is not None for row in reading.attributes)
    return counted or warned or values.failure_prediction is not None or rows


def _blocking(code: str, what: str) -> Gap:
    return Gap(code=code, what=what, blocks=True)
