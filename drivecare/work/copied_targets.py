"""The document of a copy to several targets: for each its receipt, or the error that stopped it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from drivecare.documents import Value
from drivecare.exit_codes import ExitCode, worst
from drivecare.job.file_names import as_kept
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.work.copy_sectors import TargetCopy


class CopiedTarget(Value, frozen=True, kw_only=True):
    """One of several targets, by the path that was typed: its receipt, or why there is none; both where it is not kept.

    A copy that stopped midway has a journal beside where its receipt will be, and can be resumed.
    """

    path: str
    receipt: Receipt | None = None
    error: str | None = None


class CopiedTargets(Value, frozen=True, kw_only=True):
    """The document of `drivecare copy` to several targets, in the order given."""

    schema: Literal["drivecare/copies-1"] = "drivecare/copies-1"
    copies: tuple[CopiedTarget, ...]


def document_of_copies(copies: Iterable[TargetCopy]) -> CopiedTargets:
    """Make the document."""
    return CopiedTargets(
        copies=tuple(
            CopiedTarget(
                path=copy.request.target,
                receipt=as_kept(copy.receipt) if copy.receipt is not None else None,
                error=copy.error.message() if copy.error is not None else None,
            )
            for copy in copies
        )
    )


def worst_of_copies(copies: Iterable[TargetCopy]) -> ExitCode:
    """The exit code of all: one that stopped midway before a mismatch, before unreadable areas."""
    return worst(copy.exit_code for copy in copies)
