"""Look for drives in all jobs: what was read of them before, in whatever job, belongs to what is known of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from drivecare.clock import parse_timestamp
from drivecare.errors import DriveCareError
from drivecare.reading.identity import Named
from drivecare.reading.model import Reading
from drivecare.record.port import FiledJob, Record
from drivecare.risk.model import Assessment, Sighting, Verdict
from drivecare.risk.trend import describe_sighting

_LONG_AGO = datetime.min.replace(tzinfo=UTC)


@dataclass(frozen=True, kw_only=True)
class FiledElsewhere:
    """A reading that another job holds, with its verdict there."""

    job: str
    reading: Reading
    verdict: Verdict | None


def find_in_other_jobs(record: Record, drives: Sequence[Named], *, but: str | None) -> tuple[FiledElsewhere, ...]:
    """Find what all jobs `but` one hold of these drives, and of others that share a name with them.

    A job that cannot be read is named to the person; it never keeps a drive from being judged.
    """
    try:
        jobs = record.jobs_with_drive(*drives, but=but)
    except DriveCareError as error:
        record.notify(f"earlier jobs were not searched: {error.message()}")
        return ()
    filed: list[FiledElsewhere] = []
    for job in jobs:
        try:
            filed += _readings_in(job)
        except DriveCareError as error:
            record.notify(f"job {job.id} was not searched for earlier readings: {error.message()}")
    return tuple(filed)


def _readings_in(job: FiledJob) -> Iterable[FiledElsewhere]:
    contents = job.read()
    verdicts = {
        (filed.document.drive, filed.document.read_at): filed.document.verdict
        for filed in contents.documents(Assessment)
    }
    for filed in contents.documents(Reading):
        reading = filed.document
        yield FiledElsewhere(job=job.id, reading=reading, verdict=verdicts.get((reading.drive, reading.read_at)))


def list_sightings(reading: Reading, earlier: Iterable[FiledElsewhere]) -> tuple[Sighting, ...]:
    """Tell which other jobs read this drive before, oldest first: of each job its last reading."""
    ordered = sorted(earlier, key=lambda filed: parse_timestamp(filed.reading.read_at) or _LONG_AGO)
    last = {filed.job: filed for filed in ordered}
    return tuple(
        describe_sighting(filed.job, filed.reading, filed.verdict, reading)
        for filed in ordered
        if last[filed.job] is filed
    )
