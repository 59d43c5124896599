"""Incoming inspection of a drive sold as new: signals that only matter then.

A reset counter gives itself away where another one, kept elsewhere in the drive, was forgotten.
"""

from __future__ import annotations

from collections.abc import Iterable

from drivecare.reading.capacity import SMALLEST_GB, labelled_gigabytes
from drivecare.reading.model import Reading
from drivecare.risk.signals import Signal, Signals

NEW_HOURS = 48  # log entries beyond this belong to a life a new drive has not had
HOUR_SLACK = 2  # counters are updated at different moments
FASTEST_BYTES_PER_S = {"ata": 600e6, "scsi": 2.4e9, "nvme": 16e9}
WORN_VALUE = 97  # an hours row starts at 100 and loses its first points only after months of running
DATA_STATISTICS = ("reallocated", "reported_uncorrectable", "crc_errors", "wear_percent_used")


def observe_incoming(reading: Reading) -> Signals:
    """The signals of a drive sold as new: signs of use, counters that contradict each other, an odd capacity."""
    values, drive = reading.values, reading.drive
    signals: Signals = {}

    def put(name: str, value: int | float | str | None, detail: str = "") -> None:
        if value is not None:
            signals[name] = (Signal(value=value, detail=detail),)

    put("new_hours", values.power_on_hours)
    put("new_cycles", values.power_cycles)
    put("new_wear", values.wear_percent_used)
    if values.host_bytes_written is not None and drive.capacity_bytes:
        written = values.host_bytes_written
        put("new_bytes_written", round(written / drive.capacity_bytes, 3), f"{written / 1e9:,.0f} GB written")
    if drive.native_capacity_bytes and drive.capacity_bytes:
        put("new_hidden_area", drive.native_capacity_bytes - drive.capacity_bytes)
    if drive.security in ("locked", "unlocked"):
        put("new_locked", drive.security)
    put("new_old_log", max((hour for _, hour in _log_hours(reading) if hour > NEW_HOURS), default=None))
    put("odd_capacity", _odd_capacity(drive.native_capacity_bytes or drive.capacity_bytes))
    signals["counter_reset"] = tuple(
        Signal(value=value, limit=limit, name=f"counter_reset_{name}", detail=words)
        for name, value, limit, words in _contradictions(reading)
    )
    return signals


def _odd_capacity(size: int | None) -> int | None:
    """The size in bytes where no labelled size from 50 GB on gives it, by the standards or to the byte (some SAS)."""
    if size is None or size < SMALLEST_GB * 10**9 or size % 10**9 == 0 or labelled_gigabytes(size) is not None:
        return None
    return size


def _log_hours(reading: Reading) -> Iterable[tuple[str, int]]:
    """The power-on hours that the logs remember, with the log's name."""
    for test in reading.selftests:
        if test.hours is not None:
            yield "a self-test", test.hours
    if reading.errors.newest_hours is not None:
        yield "a logged error", reading.errors.newest_hours


def _contradictions(reading: Reading) -> Iterable[tuple[str, int, int, str]]:
    """(name, what one counter says, what another says, both in words) for each pair that cannot be of one life."""
    hours = reading.values.power_on_hours
    if hours is not None:
        yield from _against_hours(reading, hours)
    for name in DATA_STATISTICS:
        counted, kept = getattr(reading.values, name), reading.statistics.get(name)
        if counted is not None and kept is not None and kept > counted:
            yield name, kept, counted, f"{name.replace('_', ' ')} {counted:,}, but {kept:,} in the drive's statistics"
    written, kept = reading.values.host_bytes_written, reading.statistics.get("sectors_written")
    sector = reading.drive.logical_sector_bytes or 512
    if written is not None and kept is not None and kept * sector > 10 * written + 10**10:
        words = f"{written / 1e9:,.0f} GB written, but {kept * sector / 1e9:,.0f} GB in the drive's statistics"
        yield "written", kept * sector, written, words


def _against_hours(reading: Reading, hours: int) -> Iterable[tuple[str, int, int, str]]:
    kept = [(f"the {name.replace('_', ' ')}", reading.statistics.get(name)) for name in _HOUR_STATISTICS]
    for what, then in (*_log_hours(reading), *kept):
        if then is not None and then > hours + HOUR_SLACK:
            yield "hours", then, hours, f"{hours:,} power-on hours, but {then:,} by {what}"
    row = next((row for row in reading.attributes if row.id == 9), None)
    worst = row.worst if row and row.worst is not None else row.value if row else None
    if hours < NEW_HOURS and worst is not None and 0 < worst <= WORN_VALUE:
        yield "hours_row", worst, 100, f"{hours:,} power-on hours, but the row has worn to {worst} of 100"
    minutes = reading.values.warning_temperature_minutes
    if minutes is not None and minutes > (hours + HOUR_SLACK) * 60:
        yield "hot_minutes", minutes, hours * 60, f"{hours:,} power-on hours, but {minutes:,} minutes too hot"
    written = reading.values.host_bytes_written
    fastest = FASTEST_BYTES_PER_S.get(reading.drive.protocol or "", 16e9)
    most = int((hours + HOUR_SLACK) * 3600 * fastest)
    if written is not None and written > most:
        yield "written_too_fast", written, most, f"{written / 1e9:,.0f} GB written in {hours:,} hours cannot be"


_HOUR_STATISTICS = ("power_on_hours", "spindle_hours", "head_flying_hours")
