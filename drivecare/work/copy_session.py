"""One session of a copy with all ends held: open, guard again, copy and prove.

Nothing of any end changes before the journal that tells of it is durable.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

import msgspec

from drivecare.errors import Interrupted
from drivecare.hardware.endpoints import examine_source, examine_target
from drivecare.hardware.media import BufferPool, Patience, RealMedium
from drivecare.hardware.opening import hold_source, hold_target, reopen_for_reading
from drivecare.transfer.areas import Area
from drivecare.transfer.medium import Medium, Watch
from drivecare.transfer.sectors.engine import copy_to_all
from drivecare.transfer.sectors.guards import Consent, Endpoint, check_guards, check_unmoved
from drivecare.transfer.sectors.journal import Journal
from drivecare.transfer.sectors.journal_file import JournalFile
from drivecare.transfer.sectors.looking import Findings
from drivecare.transfer.sectors.probe import probe_target
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.transfer.sectors.target_side import CopyTarget
from drivecare.work import Machine
from drivecare.work.copy_paperwork import CopyRequest


@dataclass(frozen=True, kw_only=True)
class CopyPlan:
    """What is asked, both ends as they were examined, what the user consented to, and the journal to copy by.

    `fresh`: a new one. `by_content`: a side has no name, so its content must tell that the journal speaks of it.
    `losing_data`: the job's reading of the source says so.
    """

    request: CopyRequest
    source: Endpoint
    target: Endpoint
    consent: Consent
    journal: Journal
    fresh: bool
    by_content: bool = False
    losing_data: bool = False

    @property
    def store(self) -> JournalFile:
        """Where the journal is kept."""
        return JournalFile(self.request.journal_path)


@dataclass(frozen=True, kw_only=True)
class SessionRunner:
    """What every session of one copy shares. `wrap_source` may put something between the engine and the source.

    `started` is told by the journals of all its targets, which shows that they were begun in one pass.
    """

    machine: Machine
    patience: Patience
    notify: Callable[[str], None]
    watch: Watch
    wrap_source: Callable[[Medium], Medium]
    started: str

    def run(self, plans: Sequence[CopyPlan]) -> tuple[Receipt | Interrupted, ...]:
        """Copy what is missing to each target and read everything back.

        An Interrupted stands for a target whose copy stopped midway. Raises Refused, Unavailable, Interrupted.
        """
        request = plans[0].request  # all are of one source, and asked for at once
        with contextlib.ExitStack() as stack:
            pool = BufferPool()
            stack.callback(pool.close)
            flags = [plan.journal.source_was_read_only for plan in plans]
            source = stack.enter_context(
                hold_source(
                    self.machine.node(request.source),
                    pool,
                    was_read_only=next((flag for flag in flags if flag is not None), None),
                    patience=self.patience,
                )
            )
            flag = False if source.was_writable else None
            begun = [_with_flag(plan.journal, flag) for plan in plans]
            held = [
                stack.enter_context(self._open_target(plan, pool, journal))
                for plan, journal in zip(plans, begun, strict=True)
            ]
            if not source.forbid_writes():
                begun = [plan.journal for plan in plans]
            for plan, target in zip(plans, held, strict=True):
                if plan.request.probe and plan.fresh and plan.target.is_device:
                    probe_target(target, pool.buffers[0])
            for side, medium in (("source", source), *(("target", target) for target in held)):
                if not medium.direct:
                    self.notify(f"The {side} allows no direct transfers, so they go through this machine's cache.")
            targets = [
                CopyTarget(target, journal, plan.store, plan.by_content)
                for plan, target, journal in zip(plans, held, begun, strict=True)
            ]
            surveyor = partial(self._find_used_space, held, plans[0].journal.bytes_total)
            settings = msgspec.structs.replace(request.settings, losing_data=plans[0].losing_data)
            wrapped = self.wrap_source(source)
            outcomes = copy_to_all(wrapped, targets, pool.buffers, settings, self.watch, surveyor)
            return tuple(map(_unless_removed, outcomes, held, targets))

    def _find_used_space(
        self, held: Sequence[RealMedium], size_bytes: int, path: str, missing: Sequence[Area], seconds: float
    ) -> Findings:
        """What the copy at `path` tells so far. Its reader is loaded only now: most copies need none."""
        from drivecare.work.find_used_space import find_used_space

        target = next(medium for medium in held if medium.path == path)
        with reopen_for_reading(target) as descriptor:
            return find_used_space(descriptor, size_bytes, missing, seconds, self.watch.stop_reason)

    @contextlib.contextmanager
    def _open_target(self, plan: CopyPlan, pool: BufferPool, journal: Journal) -> Iterator[RealMedium]:
        """Hold a target; its journal is durable before anything of it changes, and goes where it cannot be opened."""
        with contextlib.ExitStack() as until_open:

            def before_any_change() -> None:
                self._check_again(plan)
                self.patience.raise_if_stopped()
                plan.store.save(journal)
                if plan.fresh:
                    until_open.callback(plan.store.path.unlink, missing_ok=True)

            opening = hold_target(
                self.machine.node(plan.request.target),
                pool,
                image_bytes=None if plan.target.is_device else journal.bytes_total,
                exists=plan.target.exists,
                empty_first=plan.fresh,
                once_held=before_any_change,
                patience=self.patience,
            )
            with opening as target:
                until_open.pop_all()
                yield target

    def _check_again(self, plan: CopyPlan) -> None:
        """Both are held now: are they still what was planned, and does every guard still pass?"""
        planned_source, planned_target = plan.source, plan.target
        source = examine_source(planned_source.end.path, planned_source.drive, look_inside=False, machine=self.machine)
        check_unmoved(planned_source, source)
        target = planned_target
        if planned_target.exists:
            target = examine_target(
                planned_target.end.path, planned_target.drive, look_inside=False, machine=self.machine
            )
        check_unmoved(planned_target, target)
        check_guards(
            msgspec.structs.replace(
                source, table_sector_bytes=planned_source.table_sector_bytes, assessed=planned_source.assessed
            ),
            msgspec.structs.replace(
                target,
                content=planned_target.content,
                read_only=planned_target.read_only,
                overwrite_ids=planned_target.overwrite_ids,
                assessed=planned_target.assessed,
            ),
            plan.consent,
        )


def _with_flag(journal: Journal, was_read_only: bool | None) -> Journal:
    """The journal with the source's flag of before this session; None leaves it as it is."""
    return journal if was_read_only is None else msgspec.structs.replace(journal, source_was_read_only=was_read_only)


def _unless_removed(outcome: Receipt | Interrupted, image: RealMedium, target: CopyTarget) -> Receipt | Interrupted:
    """An image whose name is gone takes all that was copied with it: its journal claims nothing any more."""
    if isinstance(outcome, Receipt) or not image.was_removed:
        return outcome
    target.store.save(msgspec.structs.replace(target.journal, copied=()))
    problem = "the image was removed while it was written, and with it all that was copied"
    return Interrupted(problem, location=image.path, hint="Start the copy again with --resume")
