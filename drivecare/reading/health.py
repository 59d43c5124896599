"""Whether a reading holds health data that a drive can be judged by. Decided here, once, for every room."""

from __future__ import annotations

from drivecare.reading.counters import attribute_rows
from drivecare.reading.model import Attribute, Gap, Reading

# The counters that grow with sectors that were lost.
DEFECT_COUNTS = ("reallocated", "reported_uncorrectable", "pending", "offline_uncorrectable")
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
)


def missing_health(reading: Reading) -> tuple[Gap, ...]:
    """What leaves a reading without usable health data; empty where it has some.

    Its blocking gaps; for one that was not decoded from a report (a row of a table, a document written by hand) what
    its values lack.
    """
    if blocking := tuple(gap for gap in reading.gaps if gap.blocks):
        return blocking
    drive = reading.drive
    if drive.virtual is not None:
        return (_blocking("raid-virtual", f"{drive.virtual} stands in for the drives behind it"),)
    if drive.smart in ("off", "unsupported"):
        return (_blocking(f"smart-{drive.smart}", f"SMART is {drive.smart}"),)
    if not _says_anything(reading):
        return (_blocking("no-health-data", "it names the drive and nothing about its health"),)
    return ()


def defect_ids() -> set[int]:
    """The attribute numbers that mean a defect counter, whatever the row's name."""
    return {
        number
        for counter in attribute_rows().counter
        if counter.value in DEFECT_COUNTS and counter.unnamed
        for number in counter.ids
    }


def unread_counts(reading: Reading) -> list[Attribute]:
    """Rows of defect counters that hold something that is not a possible number: unknown, and not zero."""
    return [
        row
        for counter in attribute_rows().counter
        if counter.value in DEFECT_COUNTS and getattr(reading.values, counter.value) is None
        for row in reading.attributes
        if counter.matches(row)
    ]


def _says_anything(reading: Reading) -> bool:
    values = reading.values
    counted = any(getattr(values, name) is not None for name in HEALTH_COUNTS)
    warned = reading.drive.protocol == "nvme" and values.critical_warnings is not None
    rows = any(row.value and row.threshold is not None for row in reading.attributes)
    return counted or warned or values.failure_prediction is not None or rows


def _blocking(code: str, what: str) -> Gap:
    return Gap(code=code, what=what, blocks=True)
