"""Results that wait on this bench until the record's server is there again.

    OUTBOX/000007-1042-receipt-6f1c0a52....json    the document byte for byte
           .lock                                   whoever adds or files holds it

A name states the order in which results were put here, the job, the kind and a token. The server files a token once,
so a result that arrived although nobody heard of it is not filed a second time.
"""

from __future__ import annotations

import fcntl
import os
import re
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from drivecare.errors import Unavailable
from drivecare.job.result_files import LIMIT_BYTES
from drivecare.storage import create_folder, open_lock_file, regular_file, sync_folder, write_file

_NAME = re.compile(r"([0-9]{6,})-(.+)-([a-z0-9]+)-([0-9a-f]{32})\.json")


@dataclass(frozen=True, kw_only=True)
class WaitingResult:
    """One result in the outbox."""

    path: Path
    number: int
    job: str
    kind: str
    token: uuid.UUID

    def read(self) -> bytes:
        """Read the document. Raises OSError."""
        with regular_file(self.path, LIMIT_BYTES) as stream:
            return stream.read()

    @property
    def put_at(self) -> datetime:
        """When it was put here."""
        return datetime.fromtimestamp(self.path.stat().st_mtime, UTC)


@dataclass(frozen=True)
class Outbox:
    """The results that wait in a folder, which is made with the first."""

    folder: Path

    def put(self, data: bytes, *, job: str, kind: str, token: uuid.UUID) -> Path:
        """Add a result, durably, behind all others. Raises Unavailable where it cannot be written."""
        try:
            with suppress(FileExistsError):
                create_folder(self.folder, parents=True)
            with self.locked():
                number = max((result.number for result in self.waiting()), default=0) + 1
                path = self.folder / f"{number:06}-{job}-{kind}-{token.hex}.json"
                write_file(path, data)
        except OSError as error:
            raise Unavailable(f"cannot be written: {error.strerror}", location=str(self.folder)) from error
        return path

    def waiting(self, job: str | None = None) -> tuple[WaitingResult, ...]:
        """List what waits, of one job or of all, in the order in which it was put here."""
        names = sorted(os.listdir(self.folder)) if self.folder.is_dir() else []  # noqa: PTH208  names are all we need
        results = (self._parse(name) for name in names)
        ordered = sorted((result for result in results if result is not None), key=lambda result: result.number)
        return tuple(result for result in ordered if job in (None, result.job))

    def remove(self, result: WaitingResult) -> None:
        """Take out a result that is filed."""
        result.path.unlink()
        sync_folder(self.folder)

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Keep other terminals from adding and from filing what waits. Raises OSError."""
        lock = open_lock_file(self.folder / ".lock", create=True)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX)
            yield
        finally:
            os.close(lock)

    def _parse(self, name: str) -> WaitingResult | None:
        match = _NAME.fullmatch(name)
        if match is None:
            return None
        number, job, kind, token = match.groups()
        return WaitingResult(
            path=self.folder / name, number=int(number), job=job, kind=kind, token=uuid.UUID(hex=token)
        )
