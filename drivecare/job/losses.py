"""What was lost, in the customer's words, from what the receipts say lies in the areas that could not be read."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from drivecare.format import format_count
from drivecare.job.file_names import with_names
from drivecare.job.proof import unreadable_areas
from drivecare.transfer.file_kinds import count_kinds
from drivecare.transfer.holds import AreaContents, hits_nothing

if TYPE_CHECKING:
    from drivecare.job.job_state import JobState


def areas_lost(job: JobState, *, names: bool = False) -> tuple[AreaContents, ...]:
    """What the newest copy lacks, and what lies there; with the `names` of files that are kept apart, for a screen."""
    chain = job.proof.chain or job.receipts[-1:]
    receipts = [filed.document for filed in chain]
    return unreadable_areas([with_names(receipt, job.folder) for receipt in receipts] if names else receipts)


def describe_losses(areas: Sequence[AreaContents]) -> Iterator[str]:
    """Say what was hit, as far as it is known; nothing where nobody looked."""
    looked_at = [area for area in areas if area.holds]
    files = {
        (hold.partition, hold.file, hold.size_bytes): hold.file_kind
        for area in looked_at
        for hold in area.holds
        if hold.kind == "file" and hold.bytes
    }
    if files:
        yield f"Damaged, as the copy's own list of files says: {count_kinds(files.values())}. Ask us which."
    kinds = {hold.kind for area in looked_at for hold in area.holds}
    if kinds & {"directory", "structure"}:
        yield "Part of what keeps the files in order was hit, so that more may be missing than is named here."
    if "unknown" in kinds:
        unknown = sum(any(hold.kind == "unknown" for hold in area.holds) for area in looked_at)
        yield f"Of {format_count(unknown, 'area')} nobody can tell, or not of all of it, what was stored there."
    if empty := sum(hits_nothing(area, area.holds) for area in looked_at):
        yield f"In {format_count(empty, 'area')} no file that existed was hit; deleted files may have been there."
