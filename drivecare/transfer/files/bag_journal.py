"""What is durable of a file copy: one JSON line per file on the target, written only after the file itself was flushed.

A torn last line was never claimed. A copy that was interrupted, or read back wrong, continues from here.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Literal

import msgspec

from drivecare.documents import PlainPath, Value, decode, read_bytes
from drivecare.errors import BadInput, DriveCareError, Refused
from drivecare.transfer.files import bag
from drivecare.transfer.files.bag_check import read_tag_file
from drivecare.transfer.files.file_system import Folder
from drivecare.transfer.files.survey import TreeEntry

_BATCH_FILES, _BATCH_BYTES = 256, 64 << 20  # how much is flushed, then journalled, at a time
_JOURNAL_PATH = os.fsencode(bag.BAG_JOURNAL)
BEGUN_SUFFIX = ".bag-begun.json"
_START_OVER = "Take the target folder away and copy anew; the source is untouched."


class CopyStarted(Value, frozen=True, kw_only=True):
    """The first line."""

    schema: Literal["drivecare/bag-journal-1"] = "drivecare/bag-journal-1"
    source: str


class CopiedFile(Value, frozen=True, kw_only=True):
    """Every other line: a file on the target, and what the source file was when it was copied. `path`: as stored."""

    path: str
    bytes: int
    mtime_ns: int
    ctime_ns: int
    sha256: str
    not_kept: tuple[str, ...] = ()

    @classmethod
    def of(cls, entry: TreeEntry, digest: str, not_kept: tuple[str, ...]) -> CopiedFile:
        """A file just copied, and what of it the target did not take."""
        return cls(
            path=os.fsdecode(entry.stored),
            bytes=entry.size_bytes,
            mtime_ns=entry.mtime_ns,
            ctime_ns=entry.ctime_ns,
            sha256=digest,
            not_kept=not_kept,
        )

    def is_still(self, entry: TreeEntry) -> bool:
        """Whether the source file still is what was copied."""
        return (entry.size_bytes, entry.mtime_ns, entry.ctime_ns) == (self.bytes, self.mtime_ns, self.ctime_ns)


class BegunBag(Value, frozen=True, kw_only=True):
    """A note in a job's folder that a file copy was begun and has not ended: its journal lies in the bag."""

    schema: Literal["drivecare/bag-begun-1"] = "drivecare/bag-begun-1"
    source: PlainPath
    target: PlainPath
    started: str


class BagJournal:
    """The journal in a bag's folder, held by one copy at a time. `finished`: what it claims, by stored path."""

    def __init__(self, folder: Folder, finished: dict[str, CopiedFile]) -> None:
        self.folder, self.finished = folder, finished
        self._file = folder.open_file(_JOURNAL_PATH, "append")
        self._waiting: list[tuple[bytes, CopiedFile]] = []
        self._waiting_bytes = 0
        try:
            self._file.lock()
        except BlockingIOError as error:
            self._file.close()
            problem, hint = f"{error.strerror} writes to it", "Wait for that to end."
            raise Refused(problem, guard="in-use", location=str(folder.path), hint=hint) from error

    @classmethod
    def start(cls, folder: Folder, source: bytes) -> BagJournal:
        """A new one in an empty folder."""
        folder.save(_JOURNAL_PATH, _encode_line(CopyStarted(source=bag.display_path(source))))
        return cls(folder, {})

    @classmethod
    def load(cls, folder: Folder, source: bytes) -> BagJournal | None:
        """The folder's own, or None. Raises BadInput where it is damaged, Refused for another source."""
        try:
            folder.status(_JOURNAL_PATH)
        except FileNotFoundError:
            return None
        return cls(folder, _read_claims(folder, bag.display_path(source)))

    def add(self, path: bytes, copied: CopiedFile) -> None:
        """Note a copied file, `path` in the bag; it is flushed and written down with its batch."""
        self._waiting.append((path, copied))
        self._waiting_bytes += copied.bytes
        if len(self._waiting) >= _BATCH_FILES or self._waiting_bytes >= _BATCH_BYTES:
            self.flush()

    def flush(self) -> None:
        """Flush the files first, then the lines that claim them."""
        for path, _ in self._waiting:
            self.folder.flush(path)
        for parent in {path.rpartition(b"/")[0] for path, _ in self._waiting}:
            self.folder.flush(parent)
        self._file.append(b"".join(_encode_line(copied) for _, copied in self._waiting))
        self.finished.update((copied.path, copied) for _, copied in self._waiting)
        self._file.flush()
        self._waiting, self._waiting_bytes = [], 0

    def end(self, source: bytes, again: Iterable[str]) -> None:
        """The copy is done: the journal goes, or, where stored paths must be copied `again`, stays without those."""
        anew = set(again)
        if not anew:
            self.folder.remove(_JOURNAL_PATH)
            return
        start = CopyStarted(source=bag.display_path(source))
        claims = (copied for path, copied in self.finished.items() if path == copied.path and path not in anew)
        self.folder.save(_JOURNAL_PATH, b"".join(map(_encode_line, (start, *claims))))

    def close(self) -> None:
        """Write down what is waiting, as far as the target still lets us."""
        with contextlib.suppress(OSError):
            self.flush()
        self._file.close()


def count_claims(target: Path) -> tuple[int, int] | None:
    """Count the files and bytes that the journal of an unfinished bag claims; None where it cannot be read here."""
    try:
        _, *lines = read_bytes(target / bag.BAG_JOURNAL).splitlines(keepends=True)
        claims = [decode(CopiedFile, line, origin=bag.BAG_JOURNAL) for line in lines if line.endswith(b"\n")]
    except (DriveCareError, OSError, ValueError):
        return None
    return len({claim.path for claim in claims}), sum({claim.path: claim.bytes for claim in claims}.values())


def _encode_line(row: Value) -> bytes:
    return msgspec.json.encode(row) + b"\n"


def _read_claims(folder: Folder, source: str) -> dict[str, CopiedFile]:
    location = str(folder.path / bag.BAG_JOURNAL)
    content = read_tag_file(folder, bag.BAG_JOURNAL, limit_bytes=1 << 32)
    first, *lines = content.splitlines(keepends=True) or [b""]
    if lines and not lines[-1].endswith(b"\n"):  # cut it off, or the next line would be glued to it
        with folder.open_file(_JOURNAL_PATH, "change") as file:
            file.set_length(len(content) - len(lines.pop()))
    try:
        start = decode(CopyStarted, first, origin=location)
        finished = {row.path: row for row in (decode(CopiedFile, line, origin=location) for line in lines)}
    except BadInput as error:
        raise BadInput("is damaged and cannot be continued from", location=location, hint=_START_OVER) from error
    if start.source != source:
        problem = f"belongs to a copy of {start.source}"
        raise Refused(problem, guard="other-source", location=location, hint=_START_OVER)
    return finished
