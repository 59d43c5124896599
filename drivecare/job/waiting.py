"""Whom a job waits for: the customer, a part, a copy, or the bench. Read off the first item that its gate misses,
unless a copy is half done.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivecare.job.model import WaitsFor

if TYPE_CHECKING:
    from drivecare.job.job_state import JobState

# Every other item waits for the bench.
_WAITS_FOR: dict[str, WaitsFor] = {
    "consent": "customer",
    "no-data": "customer",
    "unreadable-acknowledged": "customer",
    "inspection": "part",  # missing while the new drive was not read, or was read and is not to be fitted
    "copy-verified": "copy",
    "unchanged-since": "copy",
}


def find_wait(job: JobState) -> tuple[WaitsFor | None, str | None]:
    """Say whom the job waits for, and for which item of the gate; only the bench while the gate is open, nobody once
    the job is closed.
    """
    if job.closing is not None:
        return None, None
    missing = next((item.item for item in job.gate.items if not item.holds), None)
    if missing is None:
        return "bench", None
    if job.copies_to_finish:
        return "copy", missing
    planned_in_vain = missing == "plan" and job.plan is not None  # nothing at hand fits
    return "part" if planned_in_vain else _WAITS_FOR.get(missing, "bench"), missing
