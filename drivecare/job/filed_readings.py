"""The readings of a job in the order in which the drives were read, whatever the order of filing.

One reading counts once, however often its report is filed, and filing an old report last does not make it the newest.
What a reading proves about now depends on when it was taken.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from drivecare.clock import format_time, parse_timestamp
from drivecare.job.contents import FiledDocument
from drivecare.reading.model import Drive, Reading
from drivecare.risk.model import Assessment

# How far the clocks of two machines of one bench may stand apart. Common practice, no source.
CLOCKS_DIFFER = timedelta(minutes=5)

FiledReading = FiledDocument[Assessment] | FiledDocument[Reading]

_LONG_AGO = datetime.min.replace(tzinfo=UTC)


def order_readings(assessments: Iterable[FiledDocument[Assessment]]) -> tuple[FiledDocument[Assessment], ...]:
    """Order the readings, oldest first, undated ones before all, each once: one judged twice as it was judged last."""
    readings = {_reading_key(filed): filed for filed in assessments}
    return tuple(sorted(readings.values(), key=lambda filed: (taken_at(filed) or _LONG_AGO, filed.number)))


def taken_at(filed: FiledReading) -> datetime | None:
    """Return when the drive was read, by the reading itself; None if it does not say."""
    return parse_timestamp(filed.document.read_at)


def time_of_reading(filed: FiledReading) -> datetime:
    """Return when the drive was read; when that was filed, if the reading does not say."""
    return taken_at(filed) or filed.filed_at


def why_outside_job(filed: FiledDocument[Assessment], *, opened: datetime, now: datetime) -> str:
    """Say why a reading does not show the drive as it is in this job, as part of a sentence; "" if it does."""
    read_at = taken_at(filed)
    if read_at is None:
        return "the reading does not say when it was taken"
    if read_at < opened - CLOCKS_DIFFER:
        return f"read {format_time(read_at)}, before this job was opened"
    return f"read {format_time(read_at)}, ahead of this clock" if read_at > now + CLOCKS_DIFFER else ""


def _reading_key(filed: FiledDocument[Assessment]) -> tuple[object, ...]:
    """The key that two filings of one reading share. Without a time nothing tells two readings from one filed twice."""
    document, drive = filed.document, filed.document.drive
    return (document.sale, *_drive_names(drive), taken_at(filed) or filed.number)


def _drive_names(drive: Drive) -> tuple[str, ...]:
    names = (drive.model, drive.serial, drive.identity.wwn)
    return tuple((name or "").strip().casefold() for name in names)
