"""The documents about many jobs: their list, and one drive through all of them."""

from __future__ import annotations

from typing import Literal

from drivecare.documents import Value
from drivecare.job.model import UnfinishedCopy, WaitsFor


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
    and `model` null. `unread` names jobs that could not be read, and why.
    """

    schema: Literal["drivecare/history-1"] = "drivecare/history-1"
    serial: str
    model: str | None = None
    readings: tuple[PastReading, ...] = ()
    unread: tuple[str, ...] = ()
