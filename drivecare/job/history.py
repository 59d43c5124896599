"""One drive through all jobs: every reading, and what changed between them."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime

import msgspec

from drivecare.clock import format_timestamp, parse_timestamp
from drivecare.errors import BadInput, DriveCareError
from drivecare.job.folder import FiledDocument, JobFolder, check_job_id
from drivecare.job.model import History, PastReading, ValueChange
from drivecare.reading.identity import normalise_serial
from drivecare.reading.model import Reading, SelfTest, Values
from drivecare.risk.model import Assessment


def collect_history(serial: str, jobs: Iterable[JobFolder]) -> History:
    """Every reading of the drive with this serial number, oldest first. Raises BadInput where no job holds one.

    A job that cannot be read is named in `unread` and does not hide the others.
    """
    readings: list[tuple[str, FiledDocument[Assessment] | FiledDocument[Reading]]] = []
    unread: list[str] = []
    for job in jobs:
        try:
            check_job_id(job.id)
            readings += [(job.id, reading) for reading in filed_readings_of(serial, job)]
        except DriveCareError as error:
            unread.append(error.message())
    filed = sorted(readings, key=lambda pair: (reading_time(pair[1]), pair[0], pair[1].file.number))
    if not filed:
        hint = f"Not read: {'; '.join(unread)}" if unread else "See drivecare job list."
        raise BadInput(f"no job holds a reading of a drive with serial number {serial}", hint=hint)
    seen: list[PastReading] = []
    before: Values | None = None
    for job_id, one in filed:
        document = one.document
        seen.append(
            PastReading(
                job=job_id,
                file=one.file.path.name,
                read_at=format_timestamp(reading_time(one).astimezone(UTC)),
                verdict=document.verdict if isinstance(document, Assessment) else None,
                power_on_hours=document.values.power_on_hours,
                changes=compare_values(before, document.values) if before is not None else (),
            )
        )
        before = document.values
    model = filed[-1][1].document.drive.model
    return History(serial=serial, model=model, readings=tuple(seen), unread=tuple(unread))


def filed_readings_of(serial: str, job: JobFolder) -> tuple[FiledDocument[Assessment] | FiledDocument[Reading], ...]:
    """What was filed about this drive in this job: assessments, and readings that were not judged."""
    normalised = normalise_serial(serial)
    judged = [one for one in job.results(Assessment) if normalise_serial(one.document.drive.serial) == normalised]
    times = {one.document.read_at for one in judged}
    bare = [
        one
        for one in job.results(Reading)
        if normalise_serial(one.document.drive.serial) == normalised and one.document.read_at not in times
    ]
    return (*judged, *bare)


def reading_time(filed: FiledDocument[Assessment] | FiledDocument[Reading]) -> datetime:
    """When a drive was read: as the report says, else when it was filed."""
    return parse_timestamp(filed.document.read_at) or filed.file.filed_at


def compare_values(before: Values, now: Values) -> tuple[ValueChange, ...]:
    """Every value that differs, by its name, in the order of `Values`."""
    names = [field.name for field in msgspec.structs.fields(Values)]
    pairs = [(name, _describe_value(getattr(before, name)), _describe_value(getattr(now, name))) for name in names]
    return tuple(ValueChange(value=name, before=was, now=is_) for name, was, is_ in pairs if was != is_)


def _describe_value(value: object) -> int | float | str | None:
    """A value as a number or words."""
    match value:
        case None | int() | float() | str():
            return value
        case SelfTest(kind=kind, result=result, hours=hours):
            return f"{kind}: {result}" + (f" at {hours:,} hours" if hours is not None else "")
        case tuple():
            return ", ".join(str(part) for part in value)
    return str(value)
