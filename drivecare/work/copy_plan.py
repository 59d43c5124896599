"""Decide what is copied by which journal, before anything is touched, and ask every guard."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import msgspec

from drivecare.errors import BadInput
from drivecare.hardware.endpoints import begin_alike
from drivecare.reading.identity import DriveId
from drivecare.transfer.sectors.digests import PROPER_NAMES, Algorithm
from drivecare.transfer.sectors.guards import Endpoint, answered_guards, check_guards
from drivecare.transfer.sectors.journal import Journal, Parent, new_journal
from drivecare.transfer.sectors.resume import (
    continue_journal,
    is_resumed_by_content,
    lasting_acknowledgements,
    recognize_target,
    without_cut_off,
)
from drivecare.work.copy_paperwork import CopyRequest, find_parent
from drivecare.work.copy_session import CopyPlan, SessionRunner
from drivecare.work.former_copy import refuse_nothing_to_resume

if TYPE_CHECKING:
    from drivecare.job.contents import FiledDocument
    from drivecare.job.job_state import JobState
    from drivecare.risk.model import Assessment


def complete_source(
    runner: SessionRunner, source: Endpoint, path: str, state: JobState | None
) -> tuple[Endpoint, Parent | None]:
    """Add to the source what the job expects of it, and what the receipt of an image says; find that receipt."""
    receipts = tuple(filed.document for filed in reversed(state.receipts)) if state is not None else ()
    parent = find_parent(source, path, receipts, runner.notify)
    if parent is not None and parent.origin.logical_sector_bytes is not None:
        source = msgspec.structs.replace(source, table_sector_bytes=parent.origin.logical_sector_bytes)
    if state is not None:
        source = _expect_drive(runner, source, state.old_drive, state)
    return source, parent


def plan_copy(
    runner: SessionRunner,
    request: CopyRequest,
    former: Journal | None,
    source: Endpoint,
    target: Endpoint,
    parent: Parent | None,
    state: JobState | None,
) -> CopyPlan:
    """Decide what is copied to one target by which journal. Raises Refused; nothing has changed then."""
    if state is not None:
        target = _expect_drive(runner, target, state.new_drive, state)
    consent = request.consent
    if former is None:
        if request.resume:
            runner.notify(refuse_nothing_to_resume(request, target))
        journal = _new_journal(runner, request, source, target, parent)
    else:
        former = without_cut_off(former, target)
        journal = continue_journal(former, source, target, consent, source_modified_ns=modified_ns(source))
        recognized = recognize_target(former, target)
        if recognized is None:
            recognized = begin_alike(source, target, runner.patience, machine=runner.machine)
        acknowledged = (*consent.acknowledged, *lasting_acknowledgements(former))
        consent = msgspec.structs.replace(consent, acknowledged=acknowledged, resuming=recognized)
    check_guards(source, target, consent)
    return CopyPlan(
        request=request,
        source=source,
        target=target,
        consent=consent,
        journal=journal,
        fresh=former is None,
        by_content=former is not None and is_resumed_by_content(former, source.end, target.end),
        losing_data=_is_losing_data(state),
    )


def _is_losing_data(state: JobState | None) -> bool:
    reading = state.old_drive if state is not None else None
    return reading is not None and reading.document.verdict == "evacuate"


def _expect_drive(
    runner: SessionRunner, end: Endpoint, reading: FiledDocument[Assessment] | None, state: JobState
) -> Endpoint:
    """Add which drive the job expects here, and say before the first byte where a copy will not count."""
    from drivecare.job.commands import record_command  # a copy without a job starts sooner without that room

    if end.is_device and not end.loop and not DriveId.of(end.end).attested(state.logged_serials):
        runner.notify(
            f"{end.end.path} does not say which drive it is, so the gate will not count this copy: take another "
            f"dock, or record the number on its label: {record_command(state, 'weak-identity', 'SERIAL')}"
        )
    return end if reading is None else msgspec.structs.replace(end, assessed=reading.document.drive)


def _new_journal(
    runner: SessionRunner, request: CopyRequest, source: Endpoint, target: Endpoint, parent: Parent | None
) -> Journal:
    end = target.end if target.is_device else msgspec.structs.replace(target.end, size_bytes=source.end.size_bytes)
    return msgspec.structs.replace(
        new_journal(
            source.end,
            end,
            started=runner.started,
            parent=parent,
            whole_algorithm=_whole_algorithm(request, parent),
        ),
        acknowledged=answered_guards(source, target, request.consent),
        source_modified_ns=modified_ns(source),
        job=request.folder.id if request.folder is not None else None,
    )


def _whole_algorithm(request: CopyRequest, parent: Parent | None) -> Algorithm:
    """The digest of the whole: that of the source image's own receipt, which ties the two copies together."""
    asked = request.whole_algorithm
    if parent is None:
        return asked or "sha256"
    if asked not in (None, parent.whole_algorithm):
        raise BadInput(
            f"the image's own receipt is in {PROPER_NAMES[parent.whole_algorithm]}, and only the same digest ties this "
            "copy to it",
            location=request.source,
            hint="Leave --digest out",
        )
    return parent.whole_algorithm


def modified_ns(end: Endpoint) -> int | None:
    """An image's own time of last change; a device has none."""
    return None if end.is_device else os.stat(end.end.path).st_mtime_ns  # noqa: PTH116
