"""What was lost, in the customer's words, from what the receipts say lies in the areas that could not be read."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from drivecare.format import format_count, join_and
from drivecare.transfer.holds import AreaContents, FileKind, hits_nothing

_NOUNS: dict[FileKind | None, tuple[str, str]] = {
    "photo": ("photo", "photos"),
    "video": ("video", "videos"),
    "sound": ("sound recording", "sound recordings"),
    "document": ("document", "documents"),
    "mail": ("mail file", "mail files"),
    "archive": ("archive", "archives"),
    "program": ("program file", "program files"),
    None: ("other file", "other files"),
}


def describe_losses(areas: Sequence[AreaContents]) -> Iterator[str]:
    """Say what was hit, as far as it is known; nothing where nobody looked."""
    looked_at = [area for area in areas if area.holds]
    files = {
        (hold.partition, hold.file, hold.size_bytes): hold.file_kind
        for area in looked_at
        for hold in area.holds
        if hold.kind == "file" and hold.bytes
    }
    counts = Counter(files.values())
    if counts:
        words = [format_count(counts[kind], *nouns) for kind, nouns in _NOUNS.items() if counts[kind]]
        yield f"Damaged, as the copy's own list of files says: {join_and(words)}. Ask us which."
    kinds = {hold.kind for area in looked_at for hold in area.holds}
    if kinds & {"directory", "structure"}:
        yield "Part of what keeps the files in order was hit, so that more may be missing than is named here."
    if "unknown" in kinds:
        unknown = sum(any(hold.kind == "unknown" for hold in area.holds) for area in looked_at)
        yield f"Of {format_count(unknown, 'area')} nobody can tell, or not of all of it, what was stored there."
    if empty := sum(hits_nothing(area, area.holds) for area in looked_at):
        yield f"In {format_count(empty, 'area')} no file that existed was hit; deleted files may have been there."
