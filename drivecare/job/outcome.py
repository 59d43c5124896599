"""What came of a job, in the few values that a shop counts."""

from __future__ import annotations

from typing import get_args

from drivecare.job.job_state import JobState
from drivecare.job.model import CameBackCause
from drivecare.job.overview import CameBack, JobOutcome
from drivecare.reading.identity import DriveId
from drivecare.transfer.areas import merge, total
from drivecare.transfer.files.bag import BagReceipt
from drivecare.transfer.sectors.receipt import Receipt


def find_outcome(job: JobState) -> JobOutcome:
    """Sum up what was filed in a job."""
    closing = job.closing.document if job.closing is not None else None
    reading = job.old_drive if job.route == "same-drive" else job.new_drive
    copies = _newest_receipts(job)
    return JobOutcome(
        closed_at=closing.at if closing is not None else None,
        unit_started=closing.unit_started if closing is not None else None,
        route=job.route,
        drive=str(DriveId.of(reading.document.drive)) if reading is not None else None,
        failure_12_months=reading.document.failure_12_months if reading is not None else None,
        came_back=tuple(_came_back(job)),
        copies=len(copies),
        copies_with_losses=sum(_has_losses(receipt) for receipt in copies),
        bytes_unreadable=sum(total(merge(copy.unreadable)) for copy in copies if isinstance(copy, Receipt)),
    )


def _came_back(job: JobState) -> list[CameBack]:
    causes: dict[str | None, CameBackCause] = {cause: cause for cause in get_args(CameBackCause)}
    facts = [filed.document for filed in job.facts_named("came-back")]
    return [CameBack(at=fact.at, cause=causes.get(fact.about, "not-known")) for fact in facts]


def _newest_receipts(job: JobState) -> list[Receipt | BagReceipt]:
    """List each copy by its newest receipt: whoever verifies a copy again files another one of it.

    A copy is known by when it began and by its target, whose device may have another letter by then.
    """
    copies: dict[tuple[str, str], Receipt | BagReceipt] = {}
    for receipt in job.receipts:
        target = receipt.document.target
        copies[receipt.document.started, target.serial or target.path] = receipt.document
    for bag in job.bags:
        copies[bag.document.started, bag.document.target.path] = bag.document
    return list(copies.values())


def _has_losses(receipt: Receipt | BagReceipt) -> bool:
    lost = receipt.unreadable if isinstance(receipt, Receipt) else receipt.left_out
    return bool(lost) or not receipt.verified
