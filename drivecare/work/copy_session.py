"""One session of a copy with both ends held: open, guard again, copy and prove.

Nothing of either end changes before the journal that tells of it is durable.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import msgspec

from drivecare.errors import Interrupted
from drivecare.hardware.endpoints import examine_source, examine_target
from drivecare.hardware.media import BufferPool, Patience, RealMedium
from drivecare.hardware.opening import hold_source, hold_target
from drivecare.transfer.medium import Medium, Watch
from drivecare.transfer.sectors.engine import copy_and_prove
from drivecare.transfer.sectors.guards import Consent, Endpoint, check_guards, check_unmoved
from drivecare.transfer.sectors.journal import Journal
from drivecare.transfer.sectors.journal_file import JournalFile
from drivecare.transfer.sectors.probe import probe_target
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.work import Machine
from drivecare.work.copy_paperwork import CopyRequest


@dataclass(frozen=True, kw_only=True)
class CopyPlan:
    """Both ends as they were examined, what the user consented to, and the journal to copy by.

    `fresh`: a new one. `by_content`: a side has no name, so its content must tell that the journal speaks of it.
    """

    source: Endpoint
    target: Endpoint
    consent: Consent
    journal: Journal
    fresh: bool
    by_content: bool = False


@dataclass(frozen=True, kw_only=True)
class SessionRunner:
    """What every session of one copy shares. `wrap_source` may put something between the engine and the source."""

    request: CopyRequest
    machine: Machine
    store: JournalFile
    patience: Patience
    notify: Callable[[str], None]
    watch: Watch
    wrap_source: Callable[[Medium], Medium]

    def run(self, plan: CopyPlan) -> Receipt:
        """Copy what is missing and read everything back. Raises Refused, Unavailable, Interrupted."""
        with contextlib.ExitStack() as stack:
            pool = BufferPool()
            stack.callback(pool.close)
            source = stack.enter_context(
                hold_source(
                    self.machine.node(self.request.source),
                    pool,
                    was_read_only=plan.journal.source_was_read_only,
                    patience=self.patience,
                )
            )
            journal = plan.journal
            if source.was_writable:
                journal = msgspec.structs.replace(journal, source_was_read_only=False)
            target = stack.enter_context(self._open_target(plan, pool, journal))
            if not source.forbid_writes():
                journal = plan.journal
            if self.request.probe and plan.fresh and plan.target.is_device:
                probe_target(target, pool.buffers[0])
            for side, medium in (("source", source), ("target", target)):
                if not medium.direct:
                    self.notify(f"The {side} allows no direct transfers, so they go through this machine's cache.")
            stack.enter_context(self._removal_noticed(target, journal))
            wrapped = self.wrap_source(source)
            return copy_and_prove(
                wrapped,
                target,
                journal,
                self.store,
                pool.buffers,
                self.request.settings,
                self.watch,
                by_content=plan.by_content,
            )

    @contextlib.contextmanager
    def _open_target(self, plan: CopyPlan, pool: BufferPool, journal: Journal) -> Iterator[RealMedium]:
        """Hold the target; its journal is durable before anything of it changes, and goes where it cannot be opened."""
        with contextlib.ExitStack() as until_open:

            def before_any_change() -> None:
                self._check_again(plan)
                self.patience.raise_if_stopped()
                self.store.save(journal)
                if plan.fresh:
                    until_open.callback(self.store.path.unlink, missing_ok=True)

            opening = hold_target(
                self.machine.node(self.request.target),
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

    @contextlib.contextmanager
    def _removal_noticed(self, image: RealMedium, journal: Journal) -> Iterator[None]:
        """An image whose name is gone takes all that was copied with it: its journal claims nothing any more."""
        try:
            yield
        except Interrupted as error:
            if not image.was_removed:
                raise
            self.store.save(msgspec.structs.replace(journal, copied=()))
            problem = "the image was removed while it was written, and with it all that was copied"
            raise Interrupted(problem, location=image.path, hint="Start the copy again with --resume") from error
