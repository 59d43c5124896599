"""A store that is gone with the process: jobs for tests, and the proof that no room needs to know of folders."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from drivecare.documents import encode
from drivecare.errors import BadInput
from drivecare.job.chain import CHAIN, parse_chain
from drivecare.job.contents import JobContents
from drivecare.job.customer_notes import note_contents, note_file
from drivecare.job.model import Opening
from drivecare.job.result_files import check_job_id
from drivecare.record.port import FiledJob, Record
from drivecare.storage import already_there


@dataclass(frozen=True, kw_only=True)
class JobInMemory(FiledJob):
    """A job whose `files`, by name, and chain are values of this process. It has no folder for images."""

    files: dict[str, bytes] = field(default_factory=dict)
    chain: bytearray | None = field(default_factory=bytearray)
    lock: threading.RLock = field(default_factory=threading.RLock)

    @property
    def images(self) -> Path:
        """Raise BadInput: an image needs a disk."""
        raise BadInput("keeps no images", location=str(self.path), hint="Keep the jobs in a folder.")

    @contextmanager
    def _locked(self, *, shared: bool = False) -> Iterator[None]:  # noqa: ARG002  readers of one process may wait, too
        with self.lock:
            yield

    def _list(self) -> JobContents:
        return JobContents(
            path=self.path,
            names=tuple(self.files),
            chain=parse_chain(bytes(self.chain)) if self.chain is not None else None,
            fetch=self._fetch,
        )

    def _fetch(self, path: Path) -> bytes:
        if path.name == CHAIN and self.chain is not None:
            return bytes(self.chain)
        if path.name not in self.files:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
        return self.files[path.name]

    def _write(self, path: Path, data: bytes) -> None:
        if path.name in self.files:
            raise already_there(path)
        self.files[path.name] = data

    def _keep_words(self, number: int, words: bytes) -> None:
        self._write(note_file(self.path, number), words)

    def _erase_words(self, numbers: Collection[int]) -> None:
        for number in numbers:
            self.files.pop(note_file(self.path, number).name, None)

    def _append(self, lines: bytes, *, fragment: int = 0) -> None:
        assert self.chain is not None
        del self.chain[len(self.chain) - fragment :]
        self.chain.extend(lines)


@dataclass(frozen=True, kw_only=True)
class MemoryRecord(Record):
    """All jobs of this process, in the order in which they were opened."""

    by_id: dict[str, JobInMemory] = field(default_factory=dict)

    def create(self, opening: Opening) -> JobInMemory:
        """Make a new job and file its opening."""
        path = Path("memory") / check_job_id(opening.id)
        encode(opening)
        job = JobInMemory(path=path, filed_by=self.filed_by)
        if self.by_id.setdefault(opening.id, job) is not job:
            raise BadInput("already exists", location=str(path), hint="Choose another ID.")
        job.file(opening)
        return job

    def add_job(self, contents: JobContents) -> None:
        """Add a job of another record."""
        chain = bytearray(contents.fetch(contents.path / CHAIN)) if contents.chain is not None else None
        files = {file.path.name: contents.data(file) for file in contents.files}
        files |= {note_file(contents.path, number).name: words for number, words in note_contents(contents)}
        id = contents.path.name
        self.by_id[id] = JobInMemory(path=Path("memory") / id, files=files, chain=chain)

    def job(self, id: str) -> JobInMemory:
        """Find an existing job."""
        job = self.by_id.get(check_job_id(id))
        if job is None:
            raise BadInput(f"there is no job {id}", location="memory", hint="See drivecare job list.")
        return replace(job, notify=self.notify, filed_by=self.filed_by)

    def jobs(self) -> tuple[JobInMemory, ...]:
        """List every job."""
        return tuple(self.by_id.values())
