"""One drive through all jobs: every reading, and what changed between them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC

import msgspec

from drivecare.clock import format_timestamp
from drivecare.errors import BadInput, DriveCareError
from drivecare.job.contents import JobContents
from drivecare.job.filed_readings import FiledReading, time_of_reading
from drivecare.job.overview import History, PastReading, ValueChange
from drivecare.job.result_files import check_job_id
from drivecare.reading.identity import normalise_serial, search_names
from drivecare.reading.model import Reading, SelfTest, Values
from drivecare.risk.model import Assessment


def collect_history(serial: str, jobs: Iterable[tuple[str, Callable[[], JobContents]]]) -> History:
    """Collect every reading of the drive with this serial number, oldest first. Raises BadInput if no job holds one.

    `jobs` are IDs, each with what reads the job. One that cannot be read is named in `unread` and hides no other.
    """
    readings: list[tuple[str, FiledReading]] = []
    unread: list[str] = []
    for id, read in jobs:
        try:
            check_job_id(id)
            readings += [(id, reading) for reading in _readings_of_drive(serial, read())]
        except DriveCareError as error:
            unread.append(error.message())
    readings.sort(key=lambda pair: (time_of_reading(pair[1]), pair[0], pair[1].number))
    if not readings:
        hint = f"Not read: {'; '.join(unread)}" if unread else "See drivecare job list."
        raise BadInput(f"no job holds a reading of a drive with serial number {serial}", hint=hint)
    past: list[PastReading] = []
    earlier: Values | None = None
    for job_id, filed in readings:
        document = filed.document
        past.append(
            PastReading(
                job=job_id,
                file=filed.name,
                read_at=format_timestamp(time_of_reading(filed).astimezone(UTC)),
                verdict=document.verdict if isinstance(document, Assessment) else None,
                power_on_hours=document.values.power_on_hours,
                changes=compare_values(earlier, document.values) if earlier is not None else (),
            )
        )
        earlier = document.values
    model = readings[-1][1].document.drive.model
    return History(serial=serial, model=model, readings=tuple(past), unread=tuple(unread))


def _readings_of_drive(serial: str, contents: JobContents) -> list[FiledReading]:
    """List what was filed about this drive in this job: assessments, and readings that were not judged."""
    serial = normalise_serial(serial)
    assessments = [
        filed for filed in contents.documents(Assessment) if normalise_serial(filed.document.drive.serial) == serial
    ]
    assessed_at = {filed.document.read_at for filed in assessments}
    unassessed = [
        filed
        for filed in contents.documents(Reading)
        if normalise_serial(filed.document.drive.serial) == serial and filed.document.read_at not in assessed_at
    ]
    return [*assessments, *unassessed]


def names_of_drives(contents: JobContents) -> frozenset[str]:
    """Every name of every drive that was read in a job. Raises BadInput naming a file that is malformed."""
    readings: list[FiledReading] = [*contents.documents(Assessment), *contents.documents(Reading)]
    return frozenset(name for filed in readings for name in search_names(filed.document.drive))


def compare_values(earlier: Values, later: Values) -> tuple[ValueChange, ...]:
    """List every value that differs, by its name, in the order of `Values`."""
    changes = []
    for field in msgspec.structs.fields(Values):
        before, now = (_describe_value(getattr(values, field.name)) for values in (earlier, later))
        if before != now:
            changes.append(ValueChange(value=field.name, before=before, now=now))
    return tuple(changes)


def _describe_value(value: object) -> int | float | str | None:
    """Describe a value as a number or in words."""
    match value:
        case None | int() | float() | str():
            return value
        case SelfTest(kind=kind, result=result, hours=hours):
            return f"{kind}: {result}" + (f" at {hours:,} hours" if hours is not None else "")
        case tuple():
            return ", ".join(str(element) for element in value)
    return str(value)
