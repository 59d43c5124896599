"""What is durable of a file copy: one JSON line per file on the target, written only after the file itself was flushed.

A torn last line was never claimed. A copy that was interrupted, or read back wrong, goes on from here.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Literal

import msgspec

from drivecare.documents import Value, decode, read_bytes
from drivecare.errors import BadInput, Refused
from drivecare.storage import sync_folder, write_file
from drivecare.transfer import bag
from drivecare.transfer.tree import Entry

_BATCH_FILES, _BATCH_BYTES = 256, 64 << 20  # how much is flushed, then journalled, at a time
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

    @classmethod
    def of(cls, entry: Entry, digest: str) -> CopiedFile:
        """A file just copied."""
        return cls(
            path=os.fsdecode(entry.stored),
            bytes=entry.size_bytes,
            mtime_ns=entry.mtime_ns,
            ctime_ns=entry.ctime_ns,
            sha256=digest,
        )

    def is_still(self, entry: Entry) -> bool:
        """Whether the source file still is what was copied."""
        return (entry.size_bytes, entry.mtime_ns, entry.ctime_ns) == (self.bytes, self.mtime_ns, self.ctime_ns)


class BagJournal:
    """The journal in a target folder, held by one copy at a time. `finished`: what it claims, by stored path."""

    def __init__(self, path: Path, finished: dict[str, CopiedFile]) -> None:
        self.path, self.finished = path, finished
        self._stream = path.open("ab")
        self._waiting: list[tuple[bytes, CopiedFile]] = []
        self._waiting_bytes = 0
        try:
            fcntl.flock(self._stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            self._stream.close()
            hint = "Wait for that to end."
            raise Refused("another copy writes to it", guard="in-use", where=str(path.parent), hint=hint) from error
        except OSError:
            pass  # a file system without locks

    @classmethod
    def begin(cls, target: Path, source: bytes) -> BagJournal:
        """A new one in an empty folder."""
        path = target / bag.JOURNAL
        write_file(path, _line(Head(source=bag.shown(source))))
        return cls(path, {})

    @classmethod
    def find(cls, target: Path, source: bytes) -> BagJournal | None:
        """The one that lies in the target, or None. Raises BadInput where it is damaged, Refused for another source."""
        path = target / bag.JOURNAL
        return cls(path, _read(path, bag.shown(source))) if path.exists() else None

    def add(self, path: bytes, copied: CopiedFile) -> None:
        """Note a copied file; it is flushed and written down with its batch."""
        self._waiting.append((path, copied))
        self._waiting_bytes += copied.bytes
        if len(self._waiting) >= _BATCH_FILES or self._waiting_bytes >= _BATCH_BYTES:
            self.flush()

    def flush(self) -> None:
        """Files first, then the lines that claim them."""
        for path, _ in self._waiting:
            _fsync(path)
        for folder in {Path(os.fsdecode(path)).parent for path, _ in self._waiting}:
            sync_folder(folder)
        for _, copied in self._waiting:
            self._stream.write(_line(copied))
            self.finished[copied.path] = copied
        self._stream.flush()
        os.fsync(self._stream.fileno())
        self._waiting, self._waiting_bytes = [], 0

    def end(self, source: bytes, wrong: Iterable[str]) -> None:
        """The copy is done: the journal goes, or, where stored paths read back `wrong`, stays without those."""
        again = set(wrong)
        if not again:
            self.path.unlink()
            return
        rest = (copied for path, copied in self.finished.items() if path == copied.path and path not in again)
        write_file(self.path, b"".join((_line(Head(source=bag.shown(source))), *map(_line, rest))), replace=True)

    def close(self) -> None:
        """Write down what is waiting, as far as the target still lets us."""
        with contextlib.suppress(OSError):
            self.flush()
        self._stream.close()


def _line(row: Value) -> bytes:
    return msgspec.json.encode(row) + b"\n"


def _read(path: Path, source: str) -> dict[str, CopiedFile]:
    content = read_bytes(path, limit_bytes=1 << 32)
    first, *rest = content.splitlines(keepends=True) or [b""]
    if rest and not rest[-1].endswith(b"\n"):  # cut it off, or the next line would be glued to it
        with path.open("r+b") as stream:
            stream.truncate(len(content) - len(rest.pop()))
    try:
        head = decode(Head, first, origin=str(path))
        finished = {row.path: row for row in (decode(CopiedFile, line, origin=str(path)) for line in rest)}
    except BadInput as error:
        raise BadInput("is damaged and cannot be gone on from", where=str(path), hint=_HINT) from error
    if head.source != source:
        raise Refused(f"belongs to a copy of {head.source}", guard="other-source", where=str(path), hint=_HINT)
    return finished


def _fsync(path: bytes) -> None:
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
