"""The journal in a file, replaced as a whole."""

from __future__ import annotations

from pathlib import Path

from drivecare.documents import decode, encode, read_bytes
from drivecare.errors import BadInput, Refused
from drivecare.storage import write_file
from drivecare.transfer.sectors.journal import Journal, contradiction, sealed

JOURNAL_SUFFIX = ".journal.json"


class JournalFile:
    """A journal in a file."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def save(self, journal: Journal) -> None:
        """Replace the file atomically and flush it. Raises Unavailable where the disk is full."""
        write_file(self.path, encode(sealed(journal)), replace=True)

    def load(self) -> Journal | None:
        """The journal, or None where there is none. Raises Refused where it cannot be believed."""
        if not self.path.exists():
            return None
        try:
            data = read_bytes(self.path)
            journal = decode(Journal, data, origin=str(self.path))
        except BadInput as error:
            raise self._refusal(error.problem) from error
        if reason := contradiction(journal, data):
            raise self._refusal(reason)
        return journal

    def _refusal(self, reason: str) -> Refused:
        return Refused(
            f"the journal is damaged ({reason}), so it cannot say what was copied; nothing was written",
            guard="journal-damaged",
            location=str(self.path),
            hint="Move it away and start a new copy, which needs --allow-overwrite; the source is untouched",
        )
