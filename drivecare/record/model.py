"""The documents that tell what was done to a record itself."""

from __future__ import annotations

from typing import Literal

from drivecare.documents import Value


class RecordSetup(Value, frozen=True, kw_only=True):
    """A record as it was set up. `applied` are the numbers of the migrations that it lacked.

    `bench_role` may add and read, nothing else; `administrator` are the statements that let a bench in.
    """

    schema: Literal["drivecare/record-setup-1"] = "drivecare/record-setup-1"
    record: str
    owner: str
    bench_role: str
    applied: tuple[int, ...]
    administrator: tuple[str, ...]


class PushedResult(Value, frozen=True, kw_only=True):
    """A result that waited on this bench and is filed now, as `file` of its job."""

    job: str
    file: str


class UnpushedResult(Value, frozen=True, kw_only=True):
    """A result that goes on waiting at `path`, and why; `away`: for nothing but the record's server."""

    job: str
    kind: str
    path: str
    reason: str
    away: bool = False


class RecordPush(Value, frozen=True, kw_only=True):
    """What waited on this bench for the record, in the order in which it was made."""

    schema: Literal["drivecare/record-push-1"] = "drivecare/record-push-1"
    filed: tuple[PushedResult, ...] = ()
    waiting: tuple[UnpushedResult, ...] = ()


class JobLeftOut(Value, frozen=True, kw_only=True):
    """A job that was not copied, and why."""

    job: str
    reason: str


class RecordCopy(Value, frozen=True, kw_only=True):
    """All jobs of one record put into another: those `copied`, those `present` there already with the same bytes."""

    schema: Literal["drivecare/record-copy-1"] = "drivecare/record-copy-1"
    copied: tuple[str, ...] = ()
    present: tuple[str, ...] = ()
    left_out: tuple[JobLeftOut, ...] = ()
