"""Find the journal that a copy goes on from: by its two ends, whatever names this machine gives them today.

It lies in the job, beside an image, or in the working folder. Where an end has no name of its own, only its size can
match: such a journal is believed only within one job, or at the usual place, and the content is compared before
anything is written.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from drivecare.errors import DriveCareError, Refused
from drivecare.transfer.sectors.guards import Endpoint, same_end
from drivecare.transfer.sectors.journal import Journal
from drivecare.transfer.sectors.journal_file import JOURNAL_SUFFIX, JournalFile
from drivecare.transfer.sectors.recognition import is_known_by_name
from drivecare.work.copy_paperwork import RECEIPT_SUFFIX, CopyRequest, with_free_names

if TYPE_CHECKING:
    from drivecare.job.job_state import JobState


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptJournal:
    """A journal that may be this copy's. `by_name`: both ends say that it is."""

    path: Path
    journal: Journal
    by_name: bool

    @property
    def unfinished(self) -> bool:
        """Whether something is left to do."""
        return self.journal.phase != "done"


def find_journal(
    request: CopyRequest, source: Endpoint, target: Endpoint, state: JobState | None
) -> tuple[CopyRequest, Journal | None]:
    """Find the journal to go on from, and the request with the place of its receipt. None: a copy begins anew.

    Raises Refused where one is in the way of a new copy, or where several may be meant.
    """
    usual = JournalFile(request.journal_path).load()
    kept = _choose(request, [*_matching(request, usual, source, target, state)])
    if request.resume:
        if kept is None or kept.path == request.journal_path:
            return request, usual
        name = kept.path.name.removesuffix(JOURNAL_SUFFIX)
        return replace(request, receipt=kept.path.with_name(name + RECEIPT_SUFFIX)), kept.journal
    if usual is not None and usual.phase != "done":
        if request.receipt is not None or not target.is_device or same_end(usual.target, target.end):
            raise _in_the_way(request.journal_path, "it is the journal of an unfinished copy")
        request = with_free_names(request)  # another drive had this device's name when that copy was begun
    if kept is not None and kept.unfinished:
        if kept.by_name:
            raise _in_the_way(kept.path, "it is the journal of an unfinished copy from this source to this target")
        if target.content is not None and request.consent.allow_overwrite is None:
            raise _in_the_way(
                kept.path, f"an unfinished copy may have written what is on the target ({target.content})"
            )
    return request, None


def refuse_nothing_to_resume(request: CopyRequest, target: Endpoint) -> str:
    """Say that there is no journal to go on from. Raises Refused where the target holds something."""
    folder = request.journal_path.parent.absolute()
    problem = f"there is nothing to resume: no journal of a copy from {request.source} to {request.target} in {folder}"
    if target.content is None:
        return f"{problem}. The copy begins anew."
    raise Refused(
        f"{problem}; the target is not empty ({target.content}), and nothing was written",
        guard="nothing-to-resume",
        hint="Look for the journal: is it another job's, or in another folder? To begin anew, leave --resume out",
    )


def _matching(
    request: CopyRequest, usual: Journal | None, source: Endpoint, target: Endpoint, state: JobState | None
) -> Iterator[KeptJournal]:
    if usual is not None:
        yield from _match(request.journal_path, usual, source, target)
    if request.receipt is not None:  # a place was named, and no other is meant
        return
    for path, journal in state.journals if state is not None else _journals_in(request.journal_path.parent):
        if path.absolute() != request.journal_path.absolute():
            yield from (kept for kept in _match(path, journal, source, target) if kept.by_name or state is not None)


def _journals_in(folder: Path) -> Iterator[tuple[Path, Journal]]:
    for path in sorted(folder.glob(f"*{JOURNAL_SUFFIX}")):
        try:
            journal = JournalFile(path).load()
        except DriveCareError:  # whoever names its target is told
            continue
        if journal is not None:
            yield path, journal


def _match(path: Path, journal: Journal, source: Endpoint, target: Endpoint) -> Iterator[KeptJournal]:
    """The journal, if nothing tells its ends from these."""
    present = target.end
    if not target.is_device:  # it gets its size again
        present = msgspec.structs.replace(present, size_bytes=journal.target.size_bytes)
        recorded = journal.target.path
        if recorded != present.path and (not target.exists or Path(recorded).exists()):
            return  # the image that it wrote is another one
    if same_end(journal.source, source.end) and same_end(journal.target, present):
        by_name = is_known_by_name(journal.source, source.end) and is_known_by_name(journal.target, present)
        yield KeptJournal(path=path, journal=journal, by_name=by_name)


def _choose(request: CopyRequest, candidates: list[KeptJournal]) -> KeptJournal | None:
    """Take what is known by name before what is not, what is unfinished before what is done, the usual place first."""

    def rank(kept: KeptJournal) -> tuple[bool, bool, bool]:
        return not kept.by_name, not kept.unfinished, kept.path != request.journal_path

    if not candidates:
        return None
    first, *others = sorted(candidates, key=rank)
    alike = [kept for kept in others if request.resume and rank(kept) == rank(first)]
    if alike and first.unfinished:
        names = ", ".join(kept.path.name for kept in (first, *alike))
        raise Refused(
            f"several unfinished copies may be meant: {names}",
            guard="several-journals",
            location=str(first.path.parent),
            hint="Name its receipt with --receipt: NAME.receipt.json for NAME.journal.json",
        )
    return first


def _in_the_way(path: Path, problem: str) -> Refused:
    hint = "Continue with --resume, or move it away and start a new copy"
    return Refused(problem, guard="unfinished-copy", location=str(path), hint=hint)
