"""A drive through all jobs: every reading, and what changed between them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime

import msgspec

from drivecare.clock import format_timestamp
from drivecare.errors import BadInput, DriveCareError
from drivecare.job.contents import JobContents
from drivecare.job.filed_readings import FiledReading, time_of_reading
from drivecare.job.overview import History, PastReading, ValueChange
from drivecare.job.result_files import check_job_id
from drivecare.reading.identity import called_names, compare, normalise_serial, typed_names
from drivecare.reading.model import Drive, Reading, SelfTest, Values
from drivecare.risk.model import Assessment


def collect_history(name: str, jobs: Iterable[tuple[str, Callable[[], JobContents]]]) -> History:
    """Collect every reading of the drives that go by this name: a serial number, a worldwide name, a model or a word of
    it. Raises BadInput if no job holds one.

    `jobs` are IDs, each with what reads the job. One that cannot be read is named in `unread` and hides no other.
    """
    readings: list[_ReadingInJob] = []
    unread: list[str] = []
    for id, read in jobs:
        try:
            check_job_id(id)
            contents = read()
            readings += [_ReadingInJob(id, contents, filed) for filed in _readings_called(name, contents)]
        except DriveCareError as error:
            unread.append(error.message())
    readings.sort(key=lambda reading: (reading.at, reading.job, reading.filed.number))
    if not readings:
        hint = f"Not read: {'; '.join(unread)}" if unread else "See drivecare job list."
        raise BadInput(f"no job holds a reading of a drive with serial number, WWN or model {name}", hint=hint)
    last: list[_ReadingInJob] = []  # the newest so far of each drive
    past: list[PastReading] = []
    for reading in readings:
        earlier = next((each for each in last if _is_same(each.drive, reading.drive)), None)
        past.append(_past_reading(reading, earlier))
        last = [*(each for each in last if each is not earlier), reading]
    drive = last[0].drive if len(last) == 1 else None
    return History(
        serial=(drive.serial if drive is not None else None) or name,
        model=drive.model if drive is not None else None,
        readings=tuple(past),
        unread=tuple(unread),
    )


@dataclass(frozen=True, slots=True)
class _ReadingInJob:
    job: str
    contents: JobContents
    filed: FiledReading

    @property
    def at(self) -> datetime:
        return time_of_reading(self.filed)

    @property
    def drive(self) -> Drive:
        return self.filed.document.drive


def _is_same(drive: Drive, other: Drive) -> bool:
    """Whether two readings are told as of one drive: also where a dock hid which it was, and the number is the same."""
    answer = compare(drive, other)
    return answer == "yes" or (answer == "unknown" and normalise_serial(drive.serial) == normalise_serial(other.serial))


def _past_reading(reading: _ReadingInJob, earlier: _ReadingInJob | None) -> PastReading:
    filed, document = reading.filed, reading.filed.document
    filed_by = reading.contents.filed_by(filed.file)
    return PastReading(
        job=reading.job,
        file=filed.name,
        serial=reading.drive.serial,
        model=reading.drive.model,
        by=filed_by.by if filed_by is not None else None,
        bench=filed_by.bench if filed_by is not None else None,
        read_at=format_timestamp(reading.at.astimezone(UTC)),
        verdict=document.verdict if isinstance(document, Assessment) else None,
        power_on_hours=document.values.power_on_hours,
        changes=compare_values(earlier.filed.document.values, document.values) if earlier is not None else (),
    )


def _readings_called(name: str, contents: JobContents) -> list[FiledReading]:
    """List what was filed in this job about drives of this name: assessments, and readings that were not judged."""
    names = typed_names(name)
    assessments = [
        filed for filed in contents.documents(Assessment) if not names.isdisjoint(called_names(filed.document.drive))
    ]
    assessed = {(normalise_serial(filed.document.drive.serial), filed.document.read_at) for filed in assessments}
    unassessed = [
        filed
        for filed in contents.documents(Reading)
        if not names.isdisjoint(called_names(filed.document.drive))
        and (normalise_serial(filed.document.drive.serial), filed.document.read_at) not in assessed
    ]
    return [*assessments, *unassessed]


def names_of_drives(contents: JobContents) -> frozenset[str]:
    """Every name that a drive which was read in a job is called by. Raises BadInput naming a file that is malformed."""
    readings: list[FiledReading] = [*contents.documents(Assessment), *contents.documents(Reading)]
    return frozenset(name for filed in readings for name in called_names(filed.document.drive))


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
