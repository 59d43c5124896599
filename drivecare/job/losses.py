"""What was lost, in the customer's words, from what the receipts say lies in the areas that could not be read."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from drivecare.format import format_count, join_some
from drivecare.job.file_names import with_names
from drivecare.job.proof import unreadable_areas
from drivecare.transfer.file_kinds import count_kinds
from drivecare.transfer.holds import AreaContents, Hold, hits_nothing
from drivecare.visible import visible

if TYPE_CHECKING:
    from drivecare.job.job_state import JobState

_MOST_NAMES = 2  # on the customer's half of the sheet, which is one printed page
_NAME_LETTERS = 60


def areas_lost(job: JobState, *, names: bool = False) -> tuple[AreaContents, ...]:
    """What the newest copy lacks, and what lies there; with the `names` of files that are kept apart, for a screen."""
    chain = job.proof.chain or job.receipts[-1:]
    receipts = [filed.document for filed in chain]
    return unreadable_areas([with_names(receipt, job.folder) for receipt in receipts] if names else receipts)


def areas_on_sheet(job: JobState) -> tuple[AreaContents, ...]:
    """The same for the sheet, which leaves the shop in one piece: with names only where the customer agreed to that."""
    return areas_lost(job, names=job.newest_fact("names-agreed") is not None)


def describe_losses(areas: Sequence[AreaContents]) -> Iterator[str]:
    """Say what was hit, as far as it is known, by name where names are there; nothing where nobody looked."""
    looked_at = [area for area in areas if area.holds]
    files = {
        (hold.partition, hold.file, hold.size_bytes): hold
        for area in looked_at
        for hold in area.holds
        if hold.kind == "file" and hold.bytes
    }
    if files:
        kinds_hit = count_kinds(hold.file_kind for hold in files.values())
        names = list(name_files(files.values()))
        which = f": {join_some(names, _MOST_NAMES)}." if names else "."
        ask = "" if 0 < len(files) <= min(len(names), _MOST_NAMES) else " Ask us which."
        yield f"Damaged, as the copy's own list of files says: {kinds_hit}{which}{ask}"
    kinds = {hold.kind for area in looked_at for hold in area.holds}
    if kinds & {"directory", "structure"}:
        yield "Part of what keeps the files in order was hit, so that more may be missing than is named here."
    if "unknown" in kinds:
        unknown = sum(any(hold.kind == "unknown" for hold in area.holds) for area in looked_at)
        yield f"Of {format_count(unknown, 'area')} nobody can tell, or not of all of it, what was stored there."
    if empty := sum(hits_nothing(area, area.holds) for area in looked_at):
        yield f"In {format_count(empty, 'area')} no file that existed was hit; deleted files may have been there."
    if deleted := sum(any(hold.kind == "deleted" for hold in area.holds) for area in looked_at):
        yield f"In {format_count(deleted, 'area')} a file lay that had been deleted. If you still want it, tell us."


def name_files(holds: Iterable[Hold]) -> Iterator[str]:
    """The files of these holds by name, as far as names are there; of a long path its end."""
    for hold in holds:
        if hold.kind == "file" and hold.bytes and hold.path is not None:
            path = visible(hold.path)
            yield path if len(path) <= _NAME_LETTERS else f"…{path[1 - _NAME_LETTERS :]}"
