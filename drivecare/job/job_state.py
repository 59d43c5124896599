"""The state of a job: all that was filed in it, read once, and what follows from it, worked out once.

The gate, the timeline, the handover sheet and the closing are made from this and from nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path

from drivecare.clock import format_age, parse_timestamp
from drivecare.fit.model import Plan
from drivecare.format import format_count
from drivecare.job.attestations import parse_area
from drivecare.job.bench import Bench
from drivecare.job.chain import Audit
from drivecare.job.contents import DocumentT, FiledDocument, JobContents, newest_of
from drivecare.job.filed_readings import order_readings, time_of_reading
from drivecare.job.gate import judge_gate
from drivecare.job.model import (
    ROUTES,
    Closing,
    Fact,
    FactName,
    FiledSelfTest,
    Gate,
    Move,
    Opening,
    Route,
    UnfinishedCopy,
    Withdrawal,
)
from drivecare.job.proof import CopyProof, find_copy_proof
from drivecare.job.unfinished import find_unfinished, load_journals
from drivecare.reading.identity import DriveId, compare, normalise_serial
from drivecare.reading.model import Drive, Reading
from drivecare.reading.surface import SurfaceScan
from drivecare.risk.model import Assessment
from drivecare.transfer.areas import Area, overlap, uncovered
from drivecare.transfer.files.bag import BagReceipt
from drivecare.transfer.sectors.journal import Journal
from drivecare.transfer.sectors.receipt import Receipt


# The proof and the gate look at a JobState and are properties of it. So this module imports theirs, and they know this
# type for the type checker alone.
@dataclass(frozen=True, kw_only=True)  # without slots: a cached property keeps its value in the instance's own dict
class JobState:
    """A job as of `now`. Every tuple is in the order of filing, except `assessments`: each reading is there once, in
    the order in which the drives were read. `audit` says what became of the filed results.

    `jobs` is the place of all jobs if a person named one, so that the commands we print work when copied; `bench` is
    what is attached, None if nobody looked.
    """

    contents: JobContents
    audit: Audit
    now: datetime
    jobs: object | None = None
    bench: Bench | None = None
    sheet_is_current: bool = False
    opening: Opening
    assessments: tuple[FiledDocument[Assessment], ...]
    plans: tuple[FiledDocument[Plan], ...]
    receipts: tuple[FiledDocument[Receipt], ...]
    bags: tuple[FiledDocument[BagReceipt], ...]
    scans: tuple[FiledDocument[SurfaceScan], ...]
    selftests: tuple[FiledDocument[FiledSelfTest], ...]
    facts: tuple[FiledDocument[Fact], ...]
    closing: FiledDocument[Closing] | None
    moves: tuple[FiledDocument[Move], ...]

    @property
    def id(self) -> str:
        """The job's ID, which is the folder's name."""
        return self.folder.name

    @property
    def folder(self) -> Path:
        """The job's own folder."""
        return self.contents.path

    @cached_property
    def opened_at(self) -> datetime:
        """When the job was opened; now, if its opening does not say, so that no earlier reading counts."""
        return parse_timestamp(self.opening.opened_at) or self.now

    @cached_property
    def logged_serials(self) -> frozenset[str]:
        """Serial numbers that a person read off a drive's label and recorded."""
        return frozenset(normalise_serial(fact.document.about) for fact in self.facts_named("weak-identity"))

    @cached_property
    def used_assessments(self) -> tuple[FiledDocument[Assessment], ...]:
        """Assessments of used drives: the customer's, unless somebody read another."""
        return tuple(filed for filed in self.assessments if filed.document.sale == "used")

    @cached_property
    def new_drive(self) -> FiledDocument[Assessment] | None:
        """The newest incoming inspection: an assessment of a drive judged as new."""
        return newest_of([filed for filed in self.assessments if filed.document.sale == "new"])

    @cached_property
    def old_drive_readings(self) -> tuple[FiledDocument[Assessment], ...]:
        """Every assessment of the customer's drive; empty if none was read, or several and it is not known which."""
        attested = self.newest_fact("old-drive")
        if attested is not None:
            serial = normalise_serial(attested.document.about)
            return tuple(
                filed for filed in self.used_assessments if normalise_serial(filed.document.drive.serial) == serial
            )
        drives = distinct_drives([DriveId.of(filed.document.drive) for filed in self.used_assessments])
        return self.used_assessments if len(drives) <= 1 else ()

    @property
    def old_drive(self) -> FiledDocument[Assessment] | None:
        """The newest assessment of the customer's drive."""
        return newest_of(self.old_drive_readings)

    @cached_property
    def evacuated(self) -> FiledDocument[Assessment] | None:
        """The newest assessment of the customer's drive that found it losing data."""
        return newest_of([filed for filed in self.old_drive_readings if filed.document.verdict == "evacuate"])

    @property
    def plan(self) -> FiledDocument[Plan] | None:
        """The newest plan, which replaces earlier ones."""
        return newest_of(self.plans)

    def reading_of(self, assessed: FiledDocument[Assessment] | None) -> Reading | None:
        """Find the filed reading that an assessment judged; None if it was not filed."""
        if assessed is None:
            return None
        drive, read_at = assessed.document.drive, assessed.document.read_at
        readings = self.contents.documents(Reading, doubtful=self.audit.doubtful)
        same = [filed for filed in readings if filed.document.read_at == read_at and filed.document.drive == drive]
        return same[-1].document if same else None

    @property
    def newest_copy(self) -> FiledDocument[Receipt] | FiledDocument[BagReceipt] | None:
        """The copy to verify again: the one that reached the new drive, else the newest."""
        if self.proof.chain:
            return self.proof.chain[0]
        receipt, bag = newest_of(self.receipts), newest_of(self.bags)
        return bag if receipt is None or (bag is not None and bag.number > receipt.number) else receipt

    @property
    def newest_sourced_plan(self) -> FiledDocument[Plan] | None:
        """The newest plan for a particular drive."""
        return newest_of([filed for filed in self.plans if filed.document.source is not None])

    @cached_property
    def stock(self) -> str | None:
        """The stock list that the newest plan with one chose from."""
        return next((filed.document.stock for filed in reversed(self.plans) if filed.document.stock), None)

    @cached_property
    def route(self) -> Route:
        """The route this job takes: as recorded, else as what was filed suggests."""
        recorded = self.newest_fact("route")
        for route in ROUTES:
            if recorded is not None and recorded.document.about == route:
                return route
        if self.newest_fact("no-data") is not None:
            return "new-drive-empty"
        if self.plans or self.receipts or self.bags:
            return "new-drive-data"
        verdict = self.old_drive.document.verdict if self.old_drive is not None else None
        return "new-drive-data" if verdict == "replace" or self.evacuated is not None else "same-drive"

    @cached_property
    def proof(self) -> CopyProof:
        """The proof that the customer's data is on the new drive, good or wanting."""
        return find_copy_proof(self)

    @cached_property
    def journals(self) -> tuple[tuple[Path, Journal], ...]:
        """The journals of this job's copies of drives and images, finished or not, each with its place."""
        return tuple(load_journals(self))

    @cached_property
    def unfinished(self) -> tuple[UnfinishedCopy, ...]:
        """The copies that were begun for this job and are not finished."""
        return find_unfinished(self)

    @property
    def copies_to_finish(self) -> tuple[UnfinishedCopy, ...]:
        """Those that somebody has to go on with; not one that stopped at what is used, where that is enough."""
        return tuple(copy for copy in self.unfinished if not (copy.stopped_at_used and self.proof.holds))

    @cached_property
    def gate(self) -> Gate:
        """The gate of the job's own route."""
        return judge_gate(self)

    def facts_named(self, name: FactName) -> tuple[FiledDocument[Fact], ...]:
        """List every record of one fact."""
        return tuple(fact for fact in self.facts if fact.document.fact == name)

    def newest_fact(self, name: FactName) -> FiledDocument[Fact] | None:
        """Find the newest record of one fact."""
        return newest_of(self.facts_named(name))

    def acknowledgement_of(self, area: Area, name: FactName = "unreadable") -> FiledDocument[Fact] | None:
        """Find the newest record that the customer knows of an area; None while part of it is unrecorded."""
        acknowledged = [(fact, parse_area(fact.document.about)) for fact in self.facts_named(name)]
        touching = [(fact, known_area) for fact, known_area in acknowledged if overlap(known_area, area)]
        if uncovered((known_area for _, known_area in touching), area):
            return None
        return newest_of([fact for fact, _ in touching])

    @cached_property
    def withdrawals(self) -> Mapping[str, FiledDocument[Withdrawal]]:
        """The entries by which results no longer count, each by the name of its result."""
        return self.contents.withdrawals(self.audit.doubtful)

    def withdrawn(self, kind: type[DocumentT]) -> tuple[FiledDocument[DocumentT], ...]:
        """List the results of one type that were withdrawn: they count for nothing, yet what they tell was done."""
        return self.contents.withdrawn_documents(kind, doubtful=self.audit.doubtful)

    def former_jobs(self, name: str) -> tuple[str, ...]:
        """List the jobs that the result of this name was in before it was moved here, oldest first."""
        return next((move.document.jobs for move in self.moves if name in move.document.files), ())

    def scans_of(self, drive: Drive) -> tuple[FiledDocument[SurfaceScan], ...]:
        """List the surface scans of this drive; a scan of an image or of an unnamed drive counts for none."""
        return tuple(filed for filed in self.scans if filed.document.may_be_of(drive))

    def trouble_since(self, reading: FiledDocument[Assessment]) -> str | None:
        """Say what was found against a drive after this reading of it; None if nothing was."""
        drive, read_at = reading.document.drive, time_of_reading(reading)
        scans = [scan for scan in self.scans_of(drive) if _ended_at(scan) > read_at and scan.document.unreadable]
        if scans:
            return f"a surface scan found {format_count(len(scans[-1].document.unreadable), 'unreadable area')}"
        failed = any(
            _ended_at(test) > read_at
            and test.document.state == "failed"
            and normalise_serial(test.document.drive.serial) == normalise_serial(drive.serial)
            for test in self.selftests
        )
        return "its self-test failed" if failed else None

    def age(self, since: datetime) -> str:
        """Say how long ago something was."""
        return format_age(since, self.now)


def load_job_state(
    contents: JobContents,
    *,
    now: datetime | None = None,
    jobs: object | None = None,
    bench: Bench | None = None,
    sheet_is_current: bool = False,
    digests: bool = True,
) -> JobState:
    """Work out the state of a job. Raises BadInput naming a file that is malformed and that the audit does not name.

    Without `digests` the results are compared with the chain by their names alone: enough for a list.
    """
    audit = contents.audit(digests=digests)
    doubtful = audit.doubtful
    return JobState(
        contents=contents,
        audit=audit,
        now=(now or datetime.now(UTC)).astimezone(UTC),
        jobs=jobs,
        bench=bench,
        sheet_is_current=sheet_is_current,
        opening=contents.opening(doubtful=doubtful),
        assessments=order_readings(contents.documents(Assessment, doubtful=doubtful)),
        plans=contents.documents(Plan, doubtful=doubtful),
        receipts=contents.documents(Receipt, doubtful=doubtful),
        bags=contents.documents(BagReceipt, doubtful=doubtful),
        scans=contents.documents(SurfaceScan, doubtful=doubtful),
        selftests=contents.documents(FiledSelfTest, doubtful=doubtful),
        facts=contents.documents(Fact, doubtful=doubtful),
        closing=contents.closing(doubtful=doubtful),
        moves=contents.documents(Move, doubtful=doubtful),
    )


def distinct_drives(drives: Sequence[DriveId]) -> list[DriveId]:
    """List each drive once; drives that nothing tells apart count as one."""
    distinct: list[DriveId] = []
    for drive in drives:
        if not any(_may_be_the_same(drive, known_drive) for known_drive in distinct):
            distinct.append(drive)
    return distinct


def _may_be_the_same(drive: DriveId, other_drive: DriveId) -> bool:
    """Whether nothing tells the two apart: they compare as one, or a screen shows the same for both."""
    answer = compare(drive, other_drive)
    return answer == "yes" or (answer == "unknown" and str(drive).casefold() == str(other_drive).casefold())


def _ended_at(filed: FiledDocument[SurfaceScan] | FiledDocument[FiledSelfTest]) -> datetime:
    """When a scan or a self-test was over: as it says, else when it was filed."""
    document = filed.document
    ended_at = document.finished if isinstance(document, SurfaceScan) else document.finished_at
    return parse_timestamp(ended_at) or filed.filed_at
