"""All that a job's folder says, loaded once: what the gate, the story and the handover sheet look at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

from drivecare.clock import parse_timestamp
from drivecare.documents import Value
from drivecare.fit.model import Plan
from drivecare.format import format_count
from drivecare.job.attestations import parse_area
from drivecare.job.chain import Audit
from drivecare.job.filed_readings import order_readings, time_of_reading
from drivecare.job.folder import FiledDocument, JobFolder
from drivecare.job.model import Closing, Fact, FactName, FiledSelfTest, Opening, Route
from drivecare.reading.identity import DriveId, compare, normalise_serial
from drivecare.reading.model import Drive
from drivecare.reading.surface import SurfaceScan
from drivecare.risk.model import Assessment
from drivecare.shell import command_line
from drivecare.transfer.areas import Area, overlap, uncovered
from drivecare.transfer.files.bag import BagReceipt
from drivecare.transfer.sectors.receipt import Receipt

T = TypeVar("T", bound=Value)

ROUTES: tuple[Route, ...] = ("same-drive", "new-drive-data", "new-drive-empty")

# The options in commands that a job suggests; any other word that begins with a hyphen is the name of a file.
_OPTIONS = frozenset(
    ("--job", "--jobs", "--note", "--as", "--host", "--reading", "--stock", "--candidate", "--started", "--old-drive")
)


@dataclass(frozen=True, kw_only=True)
class JobState:
    """A job as of `now`. Every tuple stands in the order of filing, but for `assessments`: each reading stands there
    once, in the order in which the drives were read. `audit` says what became of the filed results.

    `jobs` is the folder of jobs where a person named one, so that the commands we print work when copied; `folder` is
    the job's own, where copies leave their journals.
    """

    id: str
    now: datetime
    opening: Opening
    assessments: tuple[FiledDocument[Assessment], ...] = ()
    plans: tuple[FiledDocument[Plan], ...] = ()
    receipts: tuple[FiledDocument[Receipt], ...] = ()
    bags: tuple[FiledDocument[BagReceipt], ...] = ()
    scans: tuple[FiledDocument[SurfaceScan], ...] = ()
    selftests: tuple[FiledDocument[FiledSelfTest], ...] = ()
    facts: tuple[FiledDocument[Fact], ...] = ()
    closing: FiledDocument[Closing] | None = None
    audit: Audit = field(default_factory=Audit)
    jobs: Path | None = None
    folder: Path | None = None

    @property
    def opened_at(self) -> datetime:
        """When the job was opened; now, where its opening does not say, so that nothing was read in it."""
        return parse_timestamp(self.opening.opened_at) or self.now

    @property
    def logged_serials(self) -> frozenset[str]:
        """Serial numbers that a person read off a drive's label and logged."""
        return frozenset(normalise_serial(fact.document.about) for fact in self.facts_named("weak-identity"))

    def facts_named(self, name: FactName) -> tuple[FiledDocument[Fact], ...]:
        """Every recording of one fact."""
        return tuple(fact for fact in self.facts if fact.document.fact == name)

    def acknowledgement_of(self, area: Area) -> FiledDocument[Fact] | None:
        """The newest record that the customer knows of an area that is unreadable; None while part of it is unsaid."""
        told = [(fact, parse_area(fact.document.about)) for fact in self.facts_named("unreadable")]
        touching = [(fact, known) for fact, known in told if overlap(known, area)]
        return None if uncovered((known for _, known in touching), area) else newest_of([fact for fact, _ in touching])

    def newest_fact(self, name: FactName) -> FiledDocument[Fact] | None:
        """The newest recording of one fact."""
        return newest_of(self.facts_named(name))

    @property
    def used_assessments(self) -> tuple[FiledDocument[Assessment], ...]:
        """Assessments of used drives: the customer's, unless somebody read another."""
        return tuple(one for one in self.assessments if one.document.sale == "used")

    @property
    def inspections(self) -> tuple[FiledDocument[Assessment], ...]:
        """Incoming inspections: assessments of drives judged as new."""
        return tuple(one for one in self.assessments if one.document.sale == "new")

    @property
    def old_drive_readings(self) -> tuple[FiledDocument[Assessment], ...]:
        """Every assessment of the customer's drive; empty where none was read or it is not known which of several."""
        named = self.newest_fact("old-drive")
        if named is not None:
            wanted = normalise_serial(named.document.about)
            return tuple(one for one in self.used_assessments if normalise_serial(one.document.drive.serial) == wanted)
        return (
            self.used_assessments
            if len(distinct_drives([DriveId.of(one.document.drive) for one in self.used_assessments])) <= 1
            else ()
        )

    def scans_of(self, drive: Drive) -> tuple[FiledDocument[SurfaceScan], ...]:
        """Surface scans of this drive; a scan of an image or of a drive without a name is of none."""
        return tuple(filed for filed in self.scans if filed.document.may_be_of(drive))

    def trouble_since(self, judged: FiledDocument[Assessment]) -> str | None:
        """What speaks against a drive and was seen after it was read, in words; None where nothing was."""
        drive, taken = judged.document.drive, time_of_reading(judged)
        lost = [one for one in self.scans_of(drive) if _ended(one) > taken and one.document.unreadable]
        failed = [
            one
            for one in self.selftests
            if _ended(one) > taken
            and one.document.state == "failed"
            and normalise_serial(one.document.drive.serial) == normalise_serial(drive.serial)
        ]
        if lost:
            return f"a surface scan found {format_count(len(lost[-1].document.unreadable), 'unreadable area')}"
        return "its self-test failed" if failed else None

    @property
    def plan(self) -> FiledDocument[Plan] | None:
        """The newest plan; earlier ones were thought better of."""
        return newest_of(self.plans)

    @property
    def route(self) -> Route:
        """Which way the job goes: as recorded, else as what was filed suggests."""
        recorded = self.newest_fact("route")
        for route in ROUTES:
            if recorded is not None and recorded.document.about == route:
                return route
        if self.newest_fact("no-data") is not None:
            return "new-drive-empty"
        if self.plans or self.receipts or self.bags:
            return "new-drive-data"
        verdict = self.old_drive_readings[-1].document.verdict if self.old_drive_readings else None
        return "new-drive-data" if verdict in ("replace", "evacuate") else "same-drive"

    def command(self, *words: str, job: bool = True) -> str:
        """A command line of ours about this job, fit to be copied. CAPITALS are to be filled in."""
        filing = ("--job", self.id) if job else ()
        where = ("--jobs", str(self.jobs)) if self.jobs is not None else ()
        return command_line(*words, *filing, *where, options=_OPTIONS)


def load_job_state(
    folder: JobFolder, *, now: datetime | None = None, jobs: Path | None = None, digests: bool = True
) -> JobState:
    """Everything filed in a job. Raises BadInput naming a file that is malformed and of which the audit says nothing.

    Without `digests` the results are held against the chain by their names alone: quick, and enough for a list.
    """
    audit = folder.audit(digests=digests)

    def results(kind: type[T]) -> tuple[FiledDocument[T], ...]:
        return folder.results(kind, doubtful=audit.doubtful)

    return JobState(
        id=folder.id,
        now=(now or datetime.now(UTC)).astimezone(UTC),
        opening=folder.opening(),
        assessments=order_readings(results(Assessment)),
        plans=results(Plan),
        receipts=results(Receipt),
        bags=results(BagReceipt),
        scans=results(SurfaceScan),
        selftests=results(FiledSelfTest),
        facts=results(Fact),
        closing=newest_of(results(Closing)),
        audit=audit,
        jobs=jobs,
        folder=folder.path,
    )


def newest_of(filed: Sequence[FiledDocument[T]]) -> FiledDocument[T] | None:
    """The last one, or None."""
    return filed[-1] if filed else None


def distinct_drives(drives: Sequence[DriveId]) -> list[DriveId]:
    """One name for each drive; a drive that cannot be told from another counts as another."""
    found: list[DriveId] = []
    for drive in drives:
        if not any(_may_be(drive, known) for known in found):
            found.append(drive)
    return found


def _may_be(drive: DriveId, other: DriveId) -> bool:
    """Whether nothing tells the two apart: they compare as one, or a screen shows the same for both."""
    answer = compare(drive, other)
    return answer == "yes" or (answer == "unknown" and str(drive).casefold() == str(other).casefold())


def _ended(filed: FiledDocument[SurfaceScan] | FiledDocument[FiledSelfTest]) -> datetime:
    """When a scan or a self-test was over: as it says, else when it was filed."""
    document = filed.document
    over = document.finished if isinstance(document, SurfaceScan) else document.finished_at
    return parse_timestamp(over) or filed.file.filed_at
