"""The gate: everything that must hold before the unit is closed, judged from the job's results alone.

Each item is one small function from the job to its evidence; a route is a list of items. An item holds only if there is
evidence for it: unknown does not hold.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from drivecare.format import format_count, join_some
from drivecare.job.commands import push_command, record_command, show_command
from drivecare.job.gate_copy import (
    check_copy_verified,
    check_detached,
    check_unchanged_since,
    check_unreadable_acknowledged,
)
from drivecare.job.gate_drives import (
    check_fitted_is_planned,
    check_inspection,
    check_new_drive_identity,
    check_old_drive_identity,
    check_old_drive_read,
    check_plan,
    check_verdict,
)
from drivecare.job.gate_evidence import Evidence, holds, lacks, recorded
from drivecare.job.model import Gate, Route

if TYPE_CHECKING:
    from drivecare.job.job_state import JobState


def judge_gate(job: JobState, route: Route | None = None) -> Gate:
    """Judge every item of the job's route, or of the one asked for; the gate is open if all hold."""
    route = route or job.route
    items = tuple(CHECKS[name](job).as_item(name) for name in ROUTE_ITEMS[route])
    return Gate(job=job.id, route=route, open=all(item.holds for item in items), items=items)


def check_records(job: JobState) -> Evidence:
    """Every filed result is there, unaltered, and the record itself was asked."""
    if job.contents.away is not None and not _vouched_for(job):
        next = push_command(job) if job.contents.waiting is None else record_command(job, "server-away")
        return lacks(f"judged without the record: {job.contents.away}", next)
    faults = job.audit.sentences
    if faults:
        mend = show_command(job) if job.audit.faults else record_command(job, "chain-mended")
        return lacks(join_some(faults, 5, "; "), mend)
    if not job.audit.chained:
        return holds(
            "no number is missing; the job was opened before results were chained, so a changed result or the loss of "
            "the newest would not show"
        )
    mended = job.facts_named("chain-mended")
    taken_up = "".join(f"; {fact.document.about} taken up: {fact.document.note}" for fact in mended)
    count = len(job.withdrawals)
    withdrawn = f"; {format_count(count, 'result')} withdrawn" if count else ""
    return holds(f"{_describe_absence(job)}every filed result is there, unaltered{taken_up}{withdrawn}")


def _vouched_for(job: JobState) -> bool:
    """Whether a person says why the gate may do without the record, this very time: an earlier absence is over."""
    fact = job.newest_fact("server-away")
    return fact is not None and fact.name in (job.contents.waiting or ())


def _describe_absence(job: JobState) -> str:
    fact = job.newest_fact("server-away")
    if job.contents.away is None or fact is None:
        return ""
    return f"JUDGED WITHOUT THE RECORD ({fact.document.note}): {job.contents.away}; as far as this bench knows, "


def check_consent(job: JobState) -> Evidence:
    """The customer agreed."""
    fact = job.newest_fact("consent")
    if fact is None:
        return lacks("not recorded yet", record_command(job, "consent"))
    return recorded(job, fact, "the customer agreed")


def check_no_data(job: JobState) -> Evidence:
    """The customer agreed that nothing is copied onto the new drive."""
    fact = job.newest_fact("no-data")
    if fact is None:
        return lacks(
            "not recorded that the customer agreed to it: nothing is carried over", record_command(job, "no-data")
        )
    return recorded(job, fact, "the customer agreed that nothing is carried over")


CHECKS: dict[str, Callable[[JobState], Evidence]] = {
    "records": check_records,
    "consent": check_consent,
    "no-data": check_no_data,
    "old-drive-read": check_old_drive_read,
    "old-drive-identity": check_old_drive_identity,
    "verdict": check_verdict,
    "plan": check_plan,
    "inspection": check_inspection,
    "new-drive-identity": check_new_drive_identity,
    "fitted-is-planned": check_fitted_is_planned,
    "copy-verified": check_copy_verified,
    "unchanged-since": check_unchanged_since,
    "unreadable-acknowledged": check_unreadable_acknowledged,
    "detached": check_detached,
}

_OLD_DRIVE = ("old-drive-read", "old-drive-identity")
_NEW_DRIVE = ("plan", "inspection", "new-drive-identity", "fitted-is-planned")
_COPY = ("copy-verified", "unchanged-since", "unreadable-acknowledged", "detached")

ROUTE_ITEMS: dict[Route, tuple[str, ...]] = {
    "same-drive": ("records", "consent", *_OLD_DRIVE, "verdict"),
    "new-drive-data": ("records", "consent", *_OLD_DRIVE, *_NEW_DRIVE, *_COPY),
    "new-drive-empty": ("records", "consent", "no-data", *_OLD_DRIVE, *_NEW_DRIVE),
}
