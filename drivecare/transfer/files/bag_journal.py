"""What is durable of a file copy: one JSON line per file on the target, written only after the file itself was flushed.

A torn last line was never claimed. A copy that was interrupted, or read back wrong, goes on from here.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Iterable
from typing import Literal

import msgspec

from drivecare.documents import Value, decode
from drivecare.errors import BadInput, Refused
from drivecare.transfer.files import bag
from drivecare.transfer.files.anchored_folder import HeldFolder
from drivecare.transfer.files.bag_check import read_tag
from drivecare.transfer.files.survey import Entry

_BATCH_FILES, _BATCH_BYTES = 256, 64 << 20  # how much is flushed, then journalled, at a time
_NAME = os.fsencode(bag.JOURNAL)
_HINT = "Take the target folder away and copy anew; the source is untouched."


class Head(Value, frozen=True, kw_only=True):
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
    def of(cls, entry: Entry, digest: str, not_kept: tuple[str, ...]) -> CopiedFile:
        """A file just copied, and what of it the target did not take."""
        return cls(
            path=os.fsdecode(entry.stored),
            bytes=entry.size_bytes,
            mtime_ns=entry.mtime_ns,
            ctime_ns=entry.ctime_ns,
            sha256=digest,
            not_kept=not_kept,
        )

    def is_still(self, entry: Entry) -> bool:
        """Whether the source file still is what was copied."""
        return (entry.size_bytes, entry.mtime_ns, entry.ctime_ns) == (self.bytes, self.mtime_ns, self.ctime_ns)


class BagJournal:
    """The journal in a bag's folder, held by one copy at a time. `finished`: what it claims, by stored path."""

    def __init__(self, folder: HeldFolder, finished: dict[str, CopiedFile]) -> None:
        self.folder, self.finished = folder, finished
        self._stream = open(folder.open_file(_NAME, os.O_WRONLY | os.O_APPEND), "ab")  # noqa: SIM115  held for the copy
        self._waiting: list[tuple[bytes, CopiedFile]] = []
        self._waiting_bytes = 0
        try:
            fcntl.flock(self._stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            self._stream.close()
            hint = "Wait for that to end."
            raise Refused("another copy writes to it", guard="in-use", location=str(folder.path), hint=hint) from error
        except OSError:
            pass  # a file system without locks

    @classmethod
    def begin(cls, folder: HeldFolder, source: bytes) -> BagJournal:
        """A new one in an empty folder."""
        folder.save(_NAME, _line(Head(source=bag.shown(source))))
        return cls(folder, {})

    @classmethod
    def find(cls, folder: HeldFolder, source: bytes) -> BagJournal | None:
        """The one that lies in the folder, or None. Raises BadInput where it is damaged, Refused for another source."""
        try:
            folder.status(_NAME)
        except FileNotFoundError:
            return None
        return cls(folder, _read(folder, bag.shown(source)))

    def add(self, path: bytes, copied: CopiedFile) -> None:
        """Note a copied file, `path` in the bag; it is flushed and written down with its batch."""
        self._waiting.append((path, copied))
        self._waiting_bytes += copied.bytes
        if len(self._waiting) >= _BATCH_FILES or self._waiting_bytes >= _BATCH_BYTES:
            self.flush()

    def flush(self) -> None:
        """Files first, then the lines that claim them."""
        for path, _ in self._waiting:
            self.folder.flush(path)
        for parent in {path.rpartition(b"/")[0] for path, _ in self._waiting}:
            self.folder.flush(parent)
        for _, copied in self._waiting:
            self._stream.write(_line(copied))
            self.finished[copied.path] = copied
        self._stream.flush()
        os.fsync(self._stream.fileno())
        self._waiting, self._waiting_bytes = [], 0

    def end(self, source: bytes, again: Iterable[str]) -> None:
        """The copy is done: the journal goes, or, where stored paths must be copied `again`, stays without those."""
        anew = set(again)
        if not anew:
            self.folder.remove(_NAME)
            return
        rest = (copied for path, copied in self.finished.items() if path == copied.path and path not in anew)
        self.folder.save(_NAME, b"".join((_line(Head(source=bag.shown(source))), *map(_line, rest))))

    def close(self) -> None:
        """Write down what is waiting, as far as the target still lets us."""
        with contextlib.suppress(OSError):
            self.flush()
        self._stream.close()


def _line(row: Value) -> bytes:
    return msgspec.json.encode(row) + b"\n"


def _read(folder: HeldFolder, source: str) -> dict[str, CopiedFile]:
    where = str(folder.path / bag.JOURNAL)
    content = read_tag(folder, bag.JOURNAL, limit_bytes=1 << 32)
    first, *rest = content.splitlines(keepends=True) or [b""]
    if rest and not rest[-1].endswith(b"\n"):  # cut it off, or the next line would be glued to it
        with open(folder.open_file(_NAME, os.O_RDWR), "r+b") as stream:
            stream.truncate(len(content) - len(rest.pop()))
    try:
        head = decode(Head, first, origin=where)
        finished = {row.path: row for row in (decode(CopiedFile, line, origin=where) for line in rest)}
    except BadInput as error:
        raise BadInput("is damaged and cannot be gone on from", location=where, hint=_HINT) from error
    if head.source != source:
        raise Refused(f"belongs to a copy of {head.source}", guard="other-source", location=where, hint=_HINT)
    return finished
