"""The documents about many jobs: their list, a drive through all of them, and what they came to."""

from __future__ import annotations

from typing import Literal

from drivecare.documents import Value
from drivecare.job.model import CameBackCause, Route, UnfinishedCopy, WaitsFor
from drivecare.risk.model import Chance


class CameBack(Value, frozen=True, kw_only=True):
    """That a unit was brought back after its job was closed: when that was recorded, and what was wrong with it."""

    at: str
    cause: CameBackCause


class JobOutcome(Value, frozen=True, kw_only=True):
    """What came of a job; `closed_at` and `unit_started` are null while it is open.

    `drive`: the drive that the unit leaves with, by its newest reading, and `failure_12_months` the chance printed for
    it then. A copy that was verified again counts once; one has losses where not everything is across and verified.
    """

    closed_at: str | None = None
    unit_started: bool | None = None
    route: Route
    drive: str | None = None
    failure_12_months: Chance | None = None
    came_back: tuple[CameBack, ...] = ()
    copies: int = 0
    copies_with_losses: int = 0
    bytes_unreadable: int = 0


class JobLine(Value, frozen=True, kw_only=True):
    """One job in a list of jobs; `error` says why it cannot be read.

    `waits_for`: whom an open job waits for; `missing`: the first item that its gate misses. `by` and `bench`: who filed
    its newest result, and where.
    """

    id: str
    host: str | None = None
    reference: str | None = None
    tags: tuple[str, ...] = ()
    state: Literal["open", "closed"] | None = None
    opened_at: str | None = None
    serials: tuple[str, ...] = ()
    verdict: str | None = None
    gate_open: bool | None = None
    unfinished: tuple[UnfinishedCopy, ...] = ()
    waits_for: WaitsFor | None = None
    missing: str | None = None
    by: str | None = None
    bench: str | None = None
    outcome: JobOutcome | None = None
    error: str | None = None


class JobList(Value, frozen=True, kw_only=True):
    """The jobs that `job list` prints, oldest first: all of them, or one page of `pages`, the first with the newest.

    `total` counts the jobs on all pages. The three are null in lists of 0.1.0.
    """

    schema: Literal["drivecare/jobs-1"] = "drivecare/jobs-1"
    jobs: tuple[JobLine, ...] = ()
    total: int | None = None
    page: int | None = None
    pages: int | None = None


class ValueChange(Value, frozen=True, kw_only=True):
    """One value that differs from the previous reading; null where the drive did not report it."""

    value: str
    before: int | float | str | None = None
    now: int | float | str | None = None


class PastReading(Value, frozen=True, kw_only=True):
    """One reading of a drive in one job; `changes` since the previous one of the same drive.

    `by` and `bench`: who filed it, and where.
    """

    job: str
    file: str
    serial: str | None = None
    model: str | None = None
    by: str | None = None
    bench: str | None = None
    read_at: str
    verdict: str | None = None
    power_on_hours: int | None = None
    changes: tuple[ValueChange, ...] = ()


class History(Value, frozen=True, kw_only=True):
    """Every reading of a drive across jobs, oldest first, each with what changed since the previous one.

    `serial` is the drive's, and `model` its model; where several drives go by the name, `serial` is what was asked for
    and `model` null. `unread` names jobs that could not be read, and why. `total` counts the jobs of all pages; on one
    page a drive's first reading has no changes.
    """

    schema: Literal["drivecare/history-1"] = "drivecare/history-1"
    serial: str
    model: str | None = None
    readings: tuple[PastReading, ...] = ()
    unread: tuple[str, ...] = ()
    total: int | None = None
    page: int | None = None
    pages: int | None = None


class Share(Value, frozen=True, kw_only=True):
    """`count` out of `among`, and between which fractions the share of many more such jobs would lie, 19 times in 20.

    `low` and `high` are null where there was nothing to count.
    """

    count: int
    among: int
    low: float | None = None
    high: float | None = None


class PrintedChance(Value, frozen=True, kw_only=True):
    """The mean of the chances that were printed for as many `drives`, and the means of their limits."""

    drives: int
    estimate: float
    low: float | None = None
    high: float | None = None


class DrivesThatLeft(Value, frozen=True, kw_only=True):
    """What became of the drives that units left with at least 12 months ago; counted by `ShopReport.definitions`."""

    drive: Literal["same-drive", "new-drive"]
    came_back: Share
    drive_failed: Share
    printed: PrintedChance | None = None


class UnitThatCameBack(Value, frozen=True, kw_only=True):
    """One job whose unit came back: the drive it had left with, after how many days, and for what cause."""

    job: str
    drive: str | None = None
    days: int
    cause: CameBackCause


class CopyTotals(Value, frozen=True, kw_only=True):
    """Copies made, each counted once however often it was verified, and the `jobs` of those with losses."""

    made: int = 0
    with_losses: int = 0
    bytes_unreadable: int = 0
    jobs: tuple[str, ...] = ()


class JobDays(Value, frozen=True, kw_only=True):
    """Days from opening to closing of the closed `jobs`: half took `median` at most, nine in ten `nine_in_ten`."""

    jobs: int
    median: float
    nine_in_ten: float
    longest: float


class Definition(Value, frozen=True, kw_only=True):
    """What a word of the report counts."""

    word: str
    means: str


class ShopReport(Value, frozen=True, kw_only=True):
    """What the shop's own jobs came to, for the shop alone. `since`: only jobs opened then or later.

    `verdicts` count the jobs by the verdict on the customer's drive, "none" where none was judged. `watched` are units
    that left, and started, at least 12 months before `at`; `too_early` counts those that left later.
    """

    schema: Literal["drivecare/shop-report-1"] = "drivecare/shop-report-1"
    at: str
    since: str | None = None
    jobs: int
    closed: int
    verdicts: dict[str, int]
    copies: CopyTotals
    days: JobDays | None = None
    came_back: tuple[UnitThatCameBack, ...] = ()
    watched: tuple[DrivesThatLeft, ...] = ()
    too_early: int = 0
    definitions: tuple[Definition, ...]
    unread: tuple[str, ...] = ()
