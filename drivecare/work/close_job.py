"""Close a job: remove the copies of the customer's data that are to be forgotten, then record how it ended."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from drivecare.hardware.machine import Machine
from drivecare.job.closing import (
    check_closing,
    check_removable,
    make_closing,
    match_fates,
    removable_copies,
    remove_copy,
    undecided_copies,
)
from drivecare.job.copies import CustomerCopy, copies_made
from drivecare.job.job_state import JobState
from drivecare.job.model import Closing, ImageFate, OldDriveFate


def close_job(
    job: JobState,
    machine: Machine,
    *,
    ended: Callable[[], tuple[bool, OldDriveFate]],
    fate_of: Callable[[CustomerCopy], ImageFate],
    fates: Mapping[Path, ImageFate],
    forget: bool,
    anyway: str | None,
    note: str | None,
    by: str,
    confirm: Callable[[Sequence[CustomerCopy]], None],
    notify: Callable[[str], None],
) -> Closing:
    """Close a job and return the record of how it ended, which the caller files.

    `ended` tells whether the unit starts and what became of the old drive; it is asked once nothing else speaks against
    closing, and then `fate_of` each copy whose fate was not said. With `forget` those are removed instead. `confirm` is
    shown first what is to be removed and raises if the person refuses.
    """
    copies, files = copies_made(job), machine.files()
    fates = match_fates(copies, fates)
    check_closing(job, copies, files, anyway=anyway, forget=forget, fates=fates)
    unit_started, old_drive = ended()
    if forget:
        doomed = removable_copies(copies, fates)
    else:
        fates |= {copy.path: fate_of(copy) for copy in undecided_copies(copies, fates)}
        doomed = tuple(copy for copy in copies if fates.get(copy.path) == "removed")
        for copy in doomed:
            check_removable(copy, files)
    if doomed:
        confirm(doomed)
    for copy in doomed:
        for name in remove_copy(copy, files):
            notify(f"left in {copy.path}, since it is not of the bag: {name}")
    return make_closing(
        job,
        copies,
        unit_started=unit_started,
        old_drive=old_drive,
        fates=fates,
        removed=tuple(copy.path for copy in doomed),
        anyway=anyway,
        note=note,
        at=machine.clock.timestamp(),
        by=by,
    )
