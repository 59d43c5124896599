"""Copy a drive or image and prove it: examine both ends, guard, open, guard again, copy, read back, keep the receipt.

What `drivecare copy` does. A copy has one or two sessions: the second one repairs a target that has changed since it
was verified. The way of a receipt from the command to its file, one descent:

    cli/copy.py                          options
      work/copy_sectors.py               this file
        work/former_copy.py              the journal to go on from, by the two ends
        work/copy_paperwork.py           the request, the places of receipt and journal, receipts of earlier copies
        work/identify_drive.py           which drive is it? asked of the SMART backend (hardware/smart.py)
        hardware/endpoints.py            what each path leads to, who uses it, whether it looks empty
        transfer/sectors/resume.py       what the journal of an interrupted copy still claims
        transfer/sectors/guards.py       why not
        work/copy_session.py             both ends held (hardware/opening.py, media.py), every guard asked again
          transfer/sectors/engine.py     read, write, keep the journal, read back
            transfer/sectors/finalize.py the receipt
        storage.py                       the file
"""

from __future__ import annotations

import dataclasses
import os
import stat
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from drivecare.clock import format_time
from drivecare.errors import BadInput, Interrupted
from drivecare.hardware.backing_drive import is_fast
from drivecare.hardware.endpoints import begin_alike, examine_source, examine_target
from drivecare.hardware.heat import Heat
from drivecare.hardware.media import Patience
from drivecare.reading.identity import DriveId
from drivecare.reading.model import Drive
from drivecare.shell import command_line
from drivecare.transfer.areas import total
from drivecare.transfer.interruption import as_interruption
from drivecare.transfer.medium import Gone, Medium, Stuck, Watch
from drivecare.transfer.sectors.digests import PROPER_NAMES, Algorithm
from drivecare.transfer.sectors.guards import Endpoint, answered_guards, check_guards
from drivecare.transfer.sectors.journal import Journal, Parent, new_journal
from drivecare.transfer.sectors.journal_file import JournalFile
from drivecare.transfer.sectors.receipt import Note, Receipt
from drivecare.transfer.sectors.resume import (
    continue_journal,
    is_resumed_by_content,
    lasting_acknowledgements,
    recognize_target,
    without_cut_off,
)
from drivecare.work import Machine
from drivecare.work.copy_paperwork import (
    CopyRequest,
    find_finished,
    find_parent,
    put_aside,
    refuse_paperwork_places,
    save_receipt,
)
from drivecare.work.copy_session import CopyPlan, SessionRunner
from drivecare.work.former_copy import find_journal, refuse_nothing_to_resume
from drivecare.work.identify_drive import CopySide, identify_drive

if TYPE_CHECKING:
    from drivecare.job.job_state import JobState


def watch_heat(request: CopyRequest, machine: Machine) -> tuple[Callable[[], str | None], ...]:
    """For each end, what says why to stop once it is above its own temperature limit."""
    return tuple(Heat(path, root=machine.root).reason for path in (request.source, request.target))


def copy_sectors(
    request: CopyRequest,
    machine: Machine,
    *,
    notify: Callable[[str], None] = lambda _: None,
    watch: Watch | None = None,
    identify: Callable[[str], Drive | None] | None = None,
    wrap_source: Callable[[Medium], Medium] = lambda medium: medium,
    saved_as: Callable[[Path], object] = lambda _: None,
) -> Receipt:
    """Copy, verify, write the receipt.

    `identify` tells which drive a path is; None asks the machine. `wrap_source` may put something between the engine
    and the source (the demo's bad sectors). `saved_as` is told where the receipt goes.
    Raises Refused, BadInput, Unavailable, Interrupted.
    """
    watch = watch or Watch()
    state = _load_state(request)
    refuse_paperwork_places(request)
    patience = Patience(seconds=request.patience_seconds, stop_reason=watch.stop_reason)
    former = JournalFile(request.journal_path).load() if request.resume else None
    try:
        drives = _ask_drives(request, machine, notify, identify)
        ends = _examine_ends(request, machine, patience, drives, look_inside=not request.resume)
        request, former = find_journal(request, *ends, state)
        saved_as(request.receipt_path)
        finished = _find_finished(request, former, ends, state)
        if finished is not None:
            notify(_already_copied(request, finished))
            return finished
        refuse_paperwork_places(request)
        runner = SessionRunner(
            request=request,
            machine=machine,
            store=JournalFile(request.journal_path),
            patience=patience,
            notify=notify,
            watch=watch,
            wrap_source=wrap_source,
        )
        if request.resume:  # a copy that is finished is not read, so this look comes after the journal
            ends = _examine_ends(request, machine, patience, drives, look_inside=True)
        plan = _plan_copy(runner, former, ends, state)
        receipt = _run_sessions(runner, plan, former)
    except (Gone, Stuck, Interrupted) as error:  # before the first byte; the engine finds words of its own
        bytes_safe = total(former.copied) if former is not None else 0
        raise as_interruption(error, request.target, "looking", bytes_safe) from error
    receipt = msgspec.structs.replace(receipt, notes=(*receipt.notes, *_changes_since(plan), *_how_resumed(plan)))
    save_receipt(request.receipt_path, receipt)
    return _with_losses_named(runner, receipt)


def _with_losses_named(runner: SessionRunner, receipt: Receipt) -> Receipt:
    """Look up what lies in the unreadable areas. The receipt is safe by then, whatever becomes of that."""
    from drivecare.work.name_losses import name_losses  # a copy without damage needs none of it

    if not receipt.unreadable:
        return receipt
    named = name_losses(receipt, runner.machine, stop_reason=runner.watch.stop_reason)
    if named != receipt:
        save_receipt(runner.request.receipt_path, named)
    return named


def _load_state(request: CopyRequest) -> JobState | None:
    if request.folder is None:
        return None
    from drivecare.job.job_state import load_job_state  # a copy without a job starts sooner without that room

    return load_job_state(request.folder.read())


def _ask_drives(
    request: CopyRequest,
    machine: Machine,
    notify: Callable[[str], None],
    identify: Callable[[str], Drive | None] | None,
) -> tuple[Drive | None, Drive | None]:
    """Ask both drives which they are."""

    def ask(path: str, side: CopySide) -> Drive | None:
        return identify(path) if identify is not None else identify_drive(path, side, machine, notify)

    return ask(request.source, "source"), ask(request.target, "target")


def _examine_ends(
    request: CopyRequest,
    machine: Machine,
    patience: Patience,
    drives: tuple[Drive | None, Drive | None],
    *,
    look_inside: bool,
) -> tuple[Endpoint, Endpoint]:
    """Look at both ends; `look_inside`: read of them, too."""
    source_drive, target_drive = drives
    source = examine_source(request.source, source_drive, look_inside=look_inside, patience=patience, machine=machine)
    target = examine_target(request.target, target_drive, look_inside=look_inside, patience=patience, machine=machine)
    patience.raise_if_stopped()
    return source, target


def _find_finished(
    request: CopyRequest, former: Journal | None, ends: tuple[Endpoint, Endpoint], state: JobState | None
) -> Receipt | None:
    """The receipt of the copy that is to be resumed, if it is finished and these are certainly its two ends."""
    source, target = ends
    if former is None or is_resumed_by_content(former, source.end, target.end):
        return None
    if former.source_modified_ns not in (None, _modified_ns(source)):
        return None
    return find_finished(request, former, (filed.document for filed in state.receipts) if state is not None else ())


def _already_copied(request: CopyRequest, receipt: Receipt) -> str:
    verified_at = receipt.verification.at if receipt.verification is not None else receipt.finished
    return (
        f"Already copied and verified on {format_time(verified_at)}; nothing was read. To read it again: "
        f"{command_line('verify', str(request.receipt_path), request.target)}. To have what differs copied again, "
        "move that receipt away first."
    )


def _plan_copy(
    runner: SessionRunner,
    former: Journal | None,
    ends: tuple[Endpoint, Endpoint],
    state: JobState | None,
) -> CopyPlan:
    """Decide what is copied by which journal, and ask every guard. Raises Refused; nothing has changed then."""
    request = runner.request
    source, target = ends
    receipts = tuple(filed.document for filed in reversed(state.receipts)) if state is not None else ()
    parent = find_parent(source, request.source, receipts, runner.notify)
    if parent is not None and parent.origin.logical_sector_bytes is not None:
        source = msgspec.structs.replace(source, table_sector_bytes=parent.origin.logical_sector_bytes)
    if state is not None:
        source, target = _expect_drives(source, target, state, runner.notify)
    consent = request.consent
    by_content = former is not None and is_resumed_by_content(former, source.end, target.end)
    if former is None:
        if request.resume:
            runner.notify(refuse_nothing_to_resume(request, target))
        journal = _new_journal(runner, source, target, parent)
    else:
        former = without_cut_off(former, target)
        journal = continue_journal(former, source, target, consent, source_modified_ns=_modified_ns(source))
        recognized = recognize_target(former, target)
        if recognized is None:
            recognized = begin_alike(source, target, runner.patience, machine=runner.machine)
        acknowledged = (*consent.acknowledged, *lasting_acknowledgements(former))
        consent = msgspec.structs.replace(consent, acknowledged=acknowledged, resuming=recognized)
    check_guards(source, target, consent)
    fresh = former is None
    return CopyPlan(source=source, target=target, consent=consent, journal=journal, fresh=fresh, by_content=by_content)


def _expect_drives(
    source: Endpoint, target: Endpoint, state: JobState, notify: Callable[[str], None]
) -> tuple[Endpoint, Endpoint]:
    """Add which drives the job expects, and say before the first byte where a copy will not count."""
    from drivecare.job.commands import record_command  # as above

    ends = []
    for end, reading in ((source, state.old_drive), (target, state.new_drive)):
        if end.is_device and not end.loop and not DriveId.of(end.end).attested(state.logged_serials):
            notify(
                f"{end.end.path} does not say which drive it is, so the gate will not count this copy: take another "
                f"dock, or record the number on its label: {record_command(state, 'weak-identity', 'SERIAL')}"
            )
        ends.append(end if reading is None else msgspec.structs.replace(end, assessed=reading.document.drive))
    return ends[0], ends[1]


def _new_journal(runner: SessionRunner, source: Endpoint, target: Endpoint, parent: Parent | None) -> Journal:
    request = runner.request
    end = target.end if target.is_device else msgspec.structs.replace(target.end, size_bytes=source.end.size_bytes)
    return msgspec.structs.replace(
        new_journal(
            source.end,
            end,
            started=runner.watch.timestamp(),
            parent=parent,
            whole_algorithm=_whole_algorithm(request, parent),
        ),
        acknowledged=answered_guards(source, target, request.consent),
        source_modified_ns=_modified_ns(source),
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


def _run_sessions(runner: SessionRunner, plan: CopyPlan, former: Journal | None) -> Receipt:
    """Copy, and once more what differs where the target has changed since an earlier copy was verified."""
    if plan.fresh:
        put_aside(runner.request.receipt_path, runner.notify)
    _warn_of_room(runner, plan)
    _warn_of_digest(runner, plan)
    receipt = runner.run(plan)
    journal = runner.store.load()
    if receipt.verified or former is None or former.phase != "done" or journal is None:
        return receipt
    runner.notify("The target has changed since it was verified: the areas that differ are copied again.")
    return runner.run(dataclasses.replace(plan, journal=journal, fresh=False))


def _warn_of_room(runner: SessionRunner, plan: CopyPlan) -> None:
    """Say before the first byte where an image may fill its file system.

    How much is zero, and so takes no room, is known only once it was read: no reason to refuse.
    """
    if plan.target.is_device:
        return
    request = runner.request
    taken = os.stat(request.target).st_blocks * 512 if plan.target.exists else 0  # noqa: PTH116
    source = os.stat(runner.machine.node(request.source))  # noqa: PTH116
    needed = plan.journal.bytes_total
    if stat.S_ISREG(source.st_mode):
        needed = min(needed, source.st_blocks * 512)
    room = os.statvfs(Path(request.target).resolve().parent)
    free = room.f_bavail * room.f_frsize + taken
    if needed > free:
        runner.notify(
            f"{request.target} may need {needed:,} bytes and has room for {free:,}. Long runs of zeros take no room; "
            "with too few of them the copy stops when the room is used up, and --resume continues from there."
        )


def _warn_of_digest(runner: SessionRunner, plan: CopyPlan) -> None:
    """Say before the first byte where SHA-256 will be slower than both media, and how to choose the faster digest."""
    paths = (runner.request.source, runner.request.target)
    if plan.journal.whole_algorithm == "sha256" and all(is_fast(path, root=runner.machine.root) for path in paths):
        runner.notify(
            "Both sides are fast, so the SHA-256 of the whole sets the pace of the reading back; --digest blake3 is "
            "faster, but sha256sum cannot check it."
        )


_CHANGED = Note(
    code="source-changed",
    text="The source was written to while it was copied: the target holds what was read, and parts of it may be older "
    "than others. Copy it again once nothing writes to it.",
)


_VANISHED = Note(
    code="source-vanished",
    text="The source was no longer there at the end, so nothing tells whether it was written to while it was copied.",
)


def _changes_since(plan: CopyPlan) -> tuple[Note, ...]:
    """What to note of a source image, by its time of last change at the beginning and now."""
    if plan.journal.source_modified_ns is None:
        return ()
    try:
        return () if _modified_ns(plan.source) == plan.journal.source_modified_ns else (_CHANGED,)
    except OSError:
        return (_VANISHED,)


def _how_resumed(plan: CopyPlan) -> tuple[Note, ...]:
    """What to note of the last session: how it was known that it goes on with this very copy."""
    if plan.fresh:
        return ()
    return (_BY_CONTENT if plan.by_content else _BY_NAME,)


_BY_NAME = Note(
    code="resumed-by-name",
    text="The copy was continued: source and target were known by their own names, by their place, or by not having "
    "been detached.",
)
_BY_CONTENT = Note(
    code="resumed-by-content",
    text="The copy was continued: a side has no name of its own, and was known by its size and by holding what the "
    "journal says of it.",
)


def _modified_ns(end: Endpoint) -> int | None:
    return None if end.is_device else os.stat(end.end.path).st_mtime_ns  # noqa: PTH116
