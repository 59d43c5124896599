"""Copy a drive or image and prove it: examine the ends, guard, open, guard again, copy, read back, keep the receipt.

What `drivecare copy` does, to one target or to several in one pass over the source. A copy has one or two sessions: the
second one repairs a target that has changed since it was verified. The way of a receipt from the command to its file,
one descent:

    cli/copy.py                          options
      work/copy_sectors.py               this file
        work/copy_paperwork.py           the request, the places of receipt and journal, receipts of earlier copies
        work/identify_drive.py           which drive is it? asked of the SMART backend (hardware/smart.py)
        hardware/endpoints.py            what each path leads to, who uses it, whether it looks empty
        work/former_copy.py              the journal to go on from, by the two ends
        work/copy_plan.py                what is copied by which journal
          transfer/sectors/resume.py     what the journal of an interrupted copy still claims
          transfer/sectors/guards.py     why not
        work/copy_remarks.py             warnings before the first byte, notes in the receipt
        work/copy_session.py             all ends held (hardware/opening.py, media.py), every guard asked again
          transfer/sectors/engine.py     read, write, keep the journals, read back
            transfer/sectors/finalize.py the receipt
        storage.py                       the file
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import msgspec

from drivecare.clock import format_time
from drivecare.errors import Interrupted
from drivecare.exit_codes import ExitCode
from drivecare.hardware.endpoints import examine_source, examine_target
from drivecare.hardware.heat import Heat
from drivecare.hardware.media import Patience
from drivecare.reading.model import Drive
from drivecare.shell import command_line
from drivecare.transfer.areas import total
from drivecare.transfer.interruption import as_interruption
from drivecare.transfer.medium import Gone, Medium, Stuck, Watch
from drivecare.transfer.sectors.guards import Endpoint, check_apart
from drivecare.transfer.sectors.journal import Journal
from drivecare.transfer.sectors.journal_file import JournalFile
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.transfer.sectors.resume import is_resumed_by_content, refuse_unlike
from drivecare.work import Machine
from drivecare.work.copy_paperwork import (
    CopyRequest,
    ReceiptNotKept,
    find_finished,
    put_aside,
    refuse_paperwork_places,
    save_receipt,
)
from drivecare.work.copy_plan import complete_source, modified_ns, plan_copy
from drivecare.work.copy_remarks import notes_on_session, warn_of_digest, warn_of_room
from drivecare.work.copy_session import CopyPlan, SessionRunner
from drivecare.work.former_copy import find_journal
from drivecare.work.identify_drive import CopySide, identify_drive

if TYPE_CHECKING:
    from drivecare.job.job_state import JobState


@dataclass(kw_only=True, slots=True)
class TargetCopy:
    """The copy to one target: what is asked, the journal it goes on from, its plan, and what became of it.

    In the end there is a receipt, an error, or both: then the receipt found no room.
    """

    request: CopyRequest
    former: Journal | None
    drive: Drive | None = None
    plan: CopyPlan | None = None
    receipt: Receipt | None = None
    error: Interrupted | None = None

    @property
    def exit_code(self) -> ExitCode:
        """The receipt's, but for a copy that stopped midway or whose receipt is not kept."""
        if self.error is not None or self.receipt is None:
            return ExitCode.INTERRUPTED
        return self.receipt.exit_code


def watch_heat(requests: Sequence[CopyRequest], machine: Machine) -> tuple[Callable[[], str | None], ...]:
    """For each end, what says why to stop once it is above its own temperature limit."""
    paths = (requests[0].source, *(request.target for request in requests))
    return tuple(Heat(path, root=machine.root).reason for path in paths)


def copy_sectors(
    request: CopyRequest,
    machine: Machine,
    *,
    notify: Callable[[str], None] = lambda _: None,
    watch: Watch | None = None,
    identify: Callable[[str], Drive | None] | None = None,
    wrap_source: Callable[[Medium], Medium] = lambda medium: medium,
) -> Receipt:
    """Copy to one target. Raises Interrupted where it stopped midway, and as `copy_to_targets` does."""
    (copy,) = copy_to_targets(
        (request,), machine, notify=notify, watch=watch, identify=identify, wrap_source=wrap_source
    )
    if copy.error is not None:
        raise copy.error
    assert copy.receipt is not None
    return copy.receipt


def copy_to_targets(
    requests: Sequence[CopyRequest],
    machine: Machine,
    *,
    notify: Callable[[str], None] = lambda _: None,
    watch: Watch | None = None,
    identify: Callable[[str], Drive | None] | None = None,
    wrap_source: Callable[[Medium], Medium] = lambda medium: medium,
) -> tuple[TargetCopy, ...]:
    """Copy one source to the target of each request in one pass, verify, write the receipts.

    `identify` tells which drive a path is; None asks the machine. `wrap_source` may put something between the engine
    and the source (the demo's bad sectors). A target that fails is given up with its journal, the others go on.
    Raises Refused, BadInput, Unavailable, and Interrupted where all of them stop before the first byte.
    """
    watch = watch or Watch()
    refuse_paperwork_places(requests)
    copies = [
        TargetCopy(request=request, former=JournalFile(request.journal_path).load() if request.resume else None)
        for request in requests
    ]
    runner = SessionRunner(
        machine=machine,
        patience=Patience(seconds=requests[0].patience_seconds, stop_reason=watch.stop_reason),
        notify=notify,
        watch=watch,
        wrap_source=wrap_source,
        started=watch.timestamp(),
    )
    try:
        _plan_all(runner, copies, identify)
        planned = [copy for copy in copies if copy.plan is not None]
        if planned:
            _run_sessions(runner, planned)
    except (Gone, Stuck, Interrupted) as error:  # before the first byte; the engine finds words of its own
        bytes_safe = sum(total(copy.former.copied) for copy in copies if copy.former is not None)
        raise as_interruption(error, requests[0].target, "looking", bytes_safe) from error
    return tuple(copies)


def _plan_all(
    runner: SessionRunner, copies: Sequence[TargetCopy], identify: Callable[[str], Drive | None] | None
) -> None:
    """Plan each copy, but for one that is finished already, which gets its receipt."""
    state = _load_state(copies[0].request)
    drive = _ask_drives(runner, copies, identify)
    look_inside = not copies[0].request.resume
    source, targets = _examine_ends(runner, copies, drive, look_inside=look_inside)
    check_apart(targets)
    for copy, target in zip(copies, targets, strict=True):
        copy.request, copy.former = find_journal(copy.request, source, target, state)
        copy.receipt = _find_finished(copy, source, target, state)
        if copy.receipt is not None:
            runner.notify(_already_copied(copy.request, copy.receipt))
    remaining = [copy for copy in copies if copy.receipt is None]
    if not remaining:
        return
    refuse_paperwork_places([copy.request for copy in copies])
    if not look_inside:  # a copy that is finished is not read, so this look comes after the journal
        source, targets = _examine_ends(runner, remaining, drive, look_inside=True)
    else:
        targets = [target for copy, target in zip(copies, targets, strict=True) if copy.receipt is None]
    source, parent = complete_source(runner, source, copies[0].request.source, state)
    for copy, target in zip(remaining, targets, strict=True):
        copy.plan = plan_copy(runner, copy.request, copy.former, source, target, parent, state)
    refuse_unlike([copy.plan.journal for copy in remaining if copy.plan is not None])


def _load_state(request: CopyRequest) -> JobState | None:
    if request.folder is None:
        return None
    from drivecare.job.job_state import load_job_state  # a copy without a job starts sooner without that room

    return load_job_state(request.folder.read())


def _ask_drives(
    runner: SessionRunner, copies: Sequence[TargetCopy], identify: Callable[[str], Drive | None] | None
) -> Drive | None:
    """Ask every drive which it is; returns the source's answer."""

    def ask(path: str, side: CopySide) -> Drive | None:
        return identify(path) if identify is not None else identify_drive(path, side, runner.machine, runner.notify)

    source = ask(copies[0].request.source, "source")
    for copy in copies:
        copy.drive = ask(copy.request.target, "target")
    return source


def _examine_ends(
    runner: SessionRunner, copies: Sequence[TargetCopy], drive: Drive | None, *, look_inside: bool
) -> tuple[Endpoint, list[Endpoint]]:
    """Look at the source and at each target; `look_inside`: read of them, too."""
    patience, machine = runner.patience, runner.machine
    source = examine_source(
        copies[0].request.source, drive, look_inside=look_inside, patience=patience, machine=machine
    )
    targets = [
        examine_target(copy.request.target, copy.drive, look_inside=look_inside, patience=patience, machine=machine)
        for copy in copies
    ]
    patience.raise_if_stopped()
    return source, targets


def _find_finished(copy: TargetCopy, source: Endpoint, target: Endpoint, state: JobState | None) -> Receipt | None:
    """The receipt of the copy that is to be resumed, if it is finished and these are certainly its two ends."""
    request, former = copy.request, copy.former
    if former is None or is_resumed_by_content(former, source.end, target.end):
        return None
    if former.source_modified_ns not in (None, modified_ns(source)):
        return None
    return find_finished(request, former, (filed.document for filed in state.receipts) if state is not None else ())


def _already_copied(request: CopyRequest, receipt: Receipt) -> str:
    verified_at = receipt.verification.at if receipt.verification is not None else receipt.finished
    return (
        f"Already copied and verified on {format_time(verified_at)}; nothing was read. To read it again: "
        f"{command_line('verify', str(request.receipt_path), request.target)}. To have what differs copied again, "
        "move that receipt away first."
    )


def _run_sessions(runner: SessionRunner, copies: Sequence[TargetCopy]) -> None:
    """Copy, and once more what differs where a target has changed since an earlier copy was verified."""
    plans = [copy.plan for copy in copies if copy.plan is not None]
    for plan in plans:
        if plan.fresh:
            put_aside(plan.request.receipt_path, runner.notify)
        warn_of_room(runner, plan)
    warn_of_digest(runner, plans)
    changed: list[tuple[TargetCopy, CopyPlan]] = []
    for copy, plan, outcome in zip(copies, plans, runner.run(plans), strict=True):
        journal = plan.store.load() if isinstance(outcome, Receipt) and not outcome.verified else None
        if journal is not None and copy.former is not None and copy.former.phase == "done":
            changed.append((copy, dataclasses.replace(plan, journal=journal, fresh=False)))
        else:
            _conclude(runner, copy, plan, outcome)
    if changed:
        runner.notify("The target has changed since it was verified: the areas that differ are copied again.")
        for (copy, plan), outcome in zip(changed, runner.run([plan for _, plan in changed]), strict=True):
            _conclude(runner, copy, plan, outcome)


def _conclude(runner: SessionRunner, copy: TargetCopy, plan: CopyPlan, outcome: Receipt | Interrupted) -> None:
    """Keep the receipt, which is safe then; after that, look up what lies in the lost areas.

    The file in a job's folder gets no names: where they are kept is decided when the receipt is filed.
    """
    if isinstance(outcome, Interrupted):
        copy.error = outcome
        return
    path = copy.request.receipt_path
    copy.receipt = msgspec.structs.replace(outcome, notes=(*outcome.notes, *notes_on_session(plan)))
    try:
        save_receipt(path, copy.receipt)
        from drivecare.job.file_names import as_kept  # so that a copy starts sooner
        from drivecare.work.survey_copy import survey_copy

        named = survey_copy(copy.receipt, copy.request.target, runner.machine, runner.watch)
        if named != copy.receipt:
            copy.receipt = named
            save_receipt(path, as_kept(named))
    except ReceiptNotKept as error:
        copy.error = error
