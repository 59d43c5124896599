"""Incoming inspection of a drive sold as new, and the counters that contradict each other in any drive.

A counter that was reset gives itself away where another one, kept elsewhere in the drive, was forgotten.
"""

from __future__ import annotations

from collections.abc import Iterator

from drivecare.reading.capacity import SMALLEST_GB, labelled_gigabytes
from drivecare.reading.counters import contradicting_counts
from drivecare.reading.health import missing_health
from drivecare.reading.model import Attribute, Reading
from drivecare.risk.rules import RuleSet, Thresholds
from drivecare.risk.signals import Observation, Signal, Signals, collect, spell

DATA_STATISTICS = ("crc_errors", "wear_percent_used")
HOUR_STATISTICS = ("power_on_hours", "spindle_hours", "head_flying_hours")

# (name, what one counter shows, what another one allows, both in words)
Contradiction = tuple[str, int, int, str]


def observe_incoming(reading: Reading, rules: RuleSet) -> Signals:
    """Collect the signals of a drive sold as new: signs of use, contradictory counters, an odd capacity."""
    return collect(_observe_incoming(reading, rules.thresholds))


def _observe_incoming(reading: Reading, thresholds: Thresholds) -> Iterator[Observation]:
    values, drive = reading.values, reading.drive
    for name, count in (
        ("new_hours", values.power_on_hours),
        ("new_cycles", values.power_cycles),
        ("new_wear", values.wear_percent_used),
    ):
        if count is not None:
            yield name, Signal(value=count)
    if values.host_bytes_written is not None and drive.capacity_bytes:
        written = values.host_bytes_written
        times = round(written / drive.capacity_bytes, 3)
        yield "new_bytes_written", Signal(value=times, detail=f"{written / 1e9:,.0f} GB written")
    if drive.native_capacity_bytes and drive.capacity_bytes:
        yield "new_hidden_area", Signal(value=drive.native_capacity_bytes - drive.capacity_bytes)
    if drive.security in ("locked", "unlocked"):
        yield "new_locked", Signal(value=drive.security)
    old_hours = [hours for _, hours in _logged_hours(reading) if hours > thresholds.new_log_hours.value]
    if old_hours:
        yield "new_old_log", Signal(value=max(old_hours))
    size = drive.native_capacity_bytes or drive.capacity_bytes
    if size is not None and _is_odd(size):
        yield "odd_capacity", Signal(value=size)
    for name, value, limit, detail in _find_contradictions(reading, thresholds):
        yield "counter_reset", Signal(value=value, limit=limit, name=f"counter_reset_{name}", detail=detail)


def _is_odd(size: int) -> bool:
    """Whether no labelled size from 50 GB on gives these bytes, by the standards or to the byte (some SAS drives)."""
    return size >= SMALLEST_GB * 10**9 and size % 10**9 != 0 and labelled_gigabytes(size) is None


def _logged_hours(reading: Reading) -> Iterator[tuple[str, int]]:
    """The power-on hours that the logs remember, with the name of the log."""
    for test in reading.selftests:
        if test.hours is not None:
            yield "a self-test", test.hours
    if reading.errors.newest_hours is not None:
        yield "a logged error", reading.errors.newest_hours


def observe_contradictions(reading: Reading, rules: RuleSet) -> Signals:
    """Collect what contradicts itself in a used drive: hours that the logs and the heads exceed, defects in one count
    alone."""
    return {} if missing_health(reading) else collect(_observe_contradictions(reading, rules.thresholds))


def _observe_contradictions(reading: Reading, thresholds: Thresholds) -> Iterator[Observation]:
    for name, value, limit, detail in _find_plain_contradictions(reading, thresholds):
        yield "contradiction", Signal(value=value, limit=limit, name=f"contradiction_{name}", detail=detail)


def _find_plain_contradictions(reading: Reading, thresholds: Thresholds) -> Iterator[Contradiction]:
    """Pairs of counters in the same unit, which no way of counting explains."""
    if reading.values.power_on_hours is not None:
        yield from _contradict_hours(reading, reading.values.power_on_hours, thresholds)
    counts = contradicting_counts(reading.attributes, reading.values, reading.statistics)
    for name, (counted, statistic) in counts.items():
        yield name, statistic, counted, f"{spell(name)} {counted:,}, but {statistic:,} in the drive's statistics"


def _find_contradictions(reading: Reading, thresholds: Thresholds) -> Iterator[Contradiction]:
    """Each pair of counters that cannot be of one new drive's life."""
    yield from _find_plain_contradictions(reading, thresholds)
    if reading.values.power_on_hours is not None:
        yield from _contradict_new_hours(reading, reading.values.power_on_hours, thresholds)
    for name in DATA_STATISTICS:
        counted, statistic = getattr(reading.values, name), reading.statistics.get(name)
        if counted is not None and statistic is not None and statistic > counted:
            yield name, statistic, counted, f"{spell(name)} {counted:,}, but {statistic:,} in the drive's statistics"
    written, sectors = reading.values.host_bytes_written, reading.statistics.get("sectors_written")
    if written is not None and sectors is not None:
        statistic = sectors * (reading.drive.logical_sector_bytes or 512)
        if statistic > thresholds.written_factor.value * written + thresholds.written_slack_bytes.value:
            detail = f"{written / 1e9:,.0f} GB written, but {statistic / 1e9:,.0f} GB in the drive's statistics"
            yield "written", statistic, written, detail


def _contradict_hours(reading: Reading, hours: int, thresholds: Thresholds) -> Iterator[Contradiction]:
    most_hours = hours + thresholds.counter_slack_hours.value
    statistics = [(f"the {spell(name)} of its statistics", reading.statistics.get(name)) for name in HOUR_STATISTICS]
    statistics += [("its head flying hours", row.raw) for row in reading.attributes if _counts_flying_hours(row)]
    for witness, logged in (*_logged_hours(reading), *statistics):
        if logged is not None and logged > most_hours:
            yield "hours", logged, hours, f"{hours:,} power-on hours, but {logged:,} by {witness}"


def _counts_flying_hours(row: Attribute) -> bool:
    return row.id == 240 and "fly" in (row.name or "").lower()


def _contradict_new_hours(reading: Reading, hours: int, thresholds: Thresholds) -> Iterator[Contradiction]:
    most_hours = hours + thresholds.counter_slack_hours.value
    row = next((row for row in reading.attributes if row.id == 9), None)
    worst = row.worst if row and row.worst is not None else row.value if row else None
    if hours < thresholds.new_log_hours.value and worst is not None and 0 < worst <= thresholds.worn_hours_value.value:
        yield "hours_row", worst, 100, f"{hours:,} power-on hours, but the row has worn to {worst} of 100"
    minutes = reading.values.warning_temperature_minutes
    if minutes is not None and minutes > most_hours * 60:
        yield "hot_minutes", minutes, hours * 60, f"{hours:,} power-on hours, but {minutes:,} minutes too hot"
    written = reading.values.host_bytes_written
    fastest = {"ata": thresholds.fastest_ata, "scsi": thresholds.fastest_scsi}.get(
        reading.drive.protocol or "", thresholds.fastest_nvme
    )
    most = most_hours * 3600 * fastest.value
    if written is not None and written > most:
        yield "written_too_fast", written, most, f"{written / 1e9:,.0f} GB written in {hours:,} hours cannot be"
