"""Judge drives: read each one, gather what its job knows of it, assess. What `drivecare assess` does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import msgspec

from drivecare.clock import parse_timestamp
from drivecare.documents import Value
from drivecare.errors import DriveCareError
from drivecare.exit_codes import ExitCode, worst
from drivecare.job.counted import counted_of
from drivecare.reading.identity import compare
from drivecare.reading.model import Drive, Reading
from drivecare.reading.surface import SurfaceScan
from drivecare.record.port import FiledJob, Record
from drivecare.risk.assess import assess
from drivecare.risk.model import Assessment, Verdict
from drivecare.transfer.counted import describe_counted
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.work import Machine
from drivecare.work.read_sources import read_sources
from drivecare.work.seen_before import FiledElsewhere, find_in_other_jobs, list_sightings


class AssessedSource(Value, frozen=True, kw_only=True):
    """One of several drives: its assessment, or the error that kept it from being read."""

    path: str
    verdict: Verdict | None = None
    error: str | None = None
    assessment: Assessment | None = None


class Assessments(Value, frozen=True, kw_only=True):
    """The document of `drivecare assess` for several drives, in the order given."""

    schema: Literal["drivecare/assessments-1"] = "drivecare/assessments-1"
    assessments: tuple[AssessedSource, ...]

    @property
    def exit_code(self) -> ExitCode:
        """The worst of them; a drive that could not be read is an error."""
        judged = [source.assessment for source in self.assessments]
        return worst(assessment.exit_code if assessment is not None else ExitCode.ERROR for assessment in judged)


@dataclass(frozen=True, kw_only=True)
class AssessRequest:
    """Which drives to judge, and as what. `sources`: attached drives, saved readings, text reports."""

    sources: tuple[str, ...]
    as_new: bool = False
    transport: str | None = None
    folder: FiledJob | None = None
    pasted: bytes = b""  # the report that the source - stands for
    record: Record | None = None  # where each drive is looked for in all jobs


@dataclass(frozen=True, kw_only=True)
class AssessedReading:
    """A reading with its assessment, and what else was known of the drive: earlier readings and a surface scan."""

    reading: Reading
    assessment: Assessment
    history: tuple[Reading, ...]
    scan: SurfaceScan | None


AssessOutcome = AssessedReading | DriveCareError


def assess_sources(request: AssessRequest, machine: Machine) -> tuple[AssessOutcome, ...]:
    """Judge every source, in the order given; one that cannot be read gives its error and spoils no other."""
    sources = read_sources(request.sources, machine, transport=request.transport, pasted=request.pasted)
    contents = request.folder.read() if request.folder is not None else None
    filed = [result.document for result in contents.documents(Reading)] if contents is not None else []
    scans = [result.document for result in contents.documents(SurfaceScan)] if contents is not None else []
    copies = [result.document for result in contents.documents(Receipt)] if contents is not None else []
    read = [reading for source in sources if not isinstance(source, DriveCareError) for reading in source]
    elsewhere = _find_elsewhere(request, [reading.drive for reading in read])
    return tuple(
        source
        if isinstance(source, DriveCareError)
        else _assess_reading(source[-1], [*filed, *read], elsewhere, scans, copies, as_new=request.as_new)
        for source in sources
    )


def _find_elsewhere(request: AssessRequest, drives: Sequence[Drive]) -> tuple[FiledElsewhere, ...]:
    if request.record is None:
        return ()
    return find_in_other_jobs(request.record, drives, but=request.folder.id if request.folder is not None else None)


def document_of(request: AssessRequest, outcomes: Sequence[AssessOutcome]) -> Assessment | Assessments:
    """The assessment of the one drive, or the document of several. Raises the error of the only one."""
    if len(outcomes) > 1:
        return Assessments(assessments=list_sources(request, outcomes))
    (outcome,) = outcomes
    if isinstance(outcome, DriveCareError):
        raise outcome
    return outcome.assessment


def list_sources(request: AssessRequest, outcomes: Sequence[AssessOutcome]) -> tuple[AssessedSource, ...]:
    """Name each outcome by its source, in the order given."""
    return tuple(map(_source_entry, request.sources, outcomes))


def _source_entry(source: str, outcome: AssessOutcome) -> AssessedSource:
    if isinstance(outcome, DriveCareError):
        return AssessedSource(path=source, error=outcome.message())
    return AssessedSource(path=source, verdict=outcome.assessment.verdict, assessment=outcome.assessment)


def _assess_reading(
    reading: Reading,
    candidates: Sequence[Reading],
    elsewhere: Sequence[FiledElsewhere],
    scans: Sequence[SurfaceScan],
    copies: Sequence[Receipt],
    *,
    as_new: bool,
) -> AssessedReading:
    before = [filed for filed in elsewhere if _is_earlier(filed.reading, reading)]
    earlier = [other for other in candidates if _is_earlier(other, reading)]
    history = (*(filed.reading for filed in before), *earlier)
    scan = next((scan for scan in reversed(scans) if scan.may_be_of(reading.drive)), None)
    assessment = msgspec.structs.replace(
        assess(reading, as_new=as_new, history=history, scan=scan),
        sightings=list_sightings(reading, before),
        counted=tuple(describe_counted(counted_of(reading.drive, copies))),
    )
    return AssessedReading(reading=reading, assessment=assessment, history=history, scan=scan)


def _is_earlier(other: Reading, reading: Reading) -> bool:
    """Whether another reading counts as history: of this very drive, and not known to be the later one."""
    if other.raw == reading.raw or compare(other.drive, reading.drive) != "yes":
        return False
    other_time, time = parse_timestamp(other.read_at), parse_timestamp(reading.read_at)
    return other_time is None or time is None or other_time <= time
