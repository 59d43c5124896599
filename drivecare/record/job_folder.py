"""One job of the default store: a folder per job, one file per result, readable without the tool.

    JOBS/1042/0001-opening-20261125T100000Z.json
              0002-reading-KX25-00417-20261125T103100Z.json
              0003-assessment-KX25-00417-20261125T103102Z.json
              ...
              chain          one line for each result: its name, its digest, the digest of the line before
              .lock          empty; whoever files holds it
              images/        copies of the customer's drive made for this job
              names-0007.json    names of the customer's files that result 7 tells of by their numbers

A file's name is its number in the job, the kind of document, the drive's serial number where it has one and the time
(UTC) it was filed. Two terminals may file at once, and two benches on a share: `.lock` is locked while a number is
taken, and a file appears whole or not at all. It is a file because a network file system keeps the lock of a folder to
one machine or refuses it.

The chain begins with the job, before the opening is filed, or never: one that began later would seem to vouch for what
was there before. The folder gets its name with the opening in it, so a job is never seen half open.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Collection, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from drivecare.errors import Refused, Unavailable
from drivecare.job.chain import CHAIN, Chain, Fault, parse_chain
from drivecare.job.contents import JobContents
from drivecare.job.customer_notes import note_file
from drivecare.job.model import Opening
from drivecare.job.result_files import IMAGES, LIMIT_BYTES, document_kind
from drivecare.record.index import Stamp, take_stamp
from drivecare.record.port import FiledJob
from drivecare.record.share import tell_of_lone_lock
from drivecare.storage import create_folder, describe_read_error, open_lock_file, regular_file, remove_file, write_file

LOCK = ".lock"
_LONG_AGO = datetime.min.replace(tzinfo=UTC)


@dataclass(frozen=True, kw_only=True)
class JobFolder(FiledJob):
    """An existing job: the folder at `path`, whose name is the job's ID."""

    @property
    def images(self) -> Path:
        """The folder for copies of the customer's drive, created when it is first needed."""
        folder = self.path / IMAGES
        if not folder.is_dir():
            create_folder(folder)
        return folder

    def _list(self) -> JobContents:
        with self._opened() as descriptor:
            names = os.listdir(descriptor)  # noqa: PTH208  by descriptor, which no link can replace
        return JobContents(path=self.path, names=tuple(names), chain=_read_chain(self.path), fetch=_read_result)

    def stamp(self, now: datetime, names: Iterable[str] | None = None) -> Stamp:
        """Take the stamp of the folder, which tells the index whether the job was read since it changed.

        `names` are those in the folder, where they were just listed.
        """
        with self._opened() as descriptor:
            if names is None:
                names = os.listdir(descriptor)  # noqa: PTH208  by descriptor, which no link can replace
            return take_stamp(descriptor, [name for name in names if name == CHAIN or name[0].isdigit()], now)

    def read_with_stamp(self, now: datetime) -> tuple[JobContents, Stamp]:
        """Read what the folder holds now, and the stamp of just that."""
        with self._locked(shared=True):
            contents = self._list()
            return contents, self.stamp(now, contents.names)

    def first_filed(self) -> datetime | None:
        """Return when the first result was filed; None for a folder without an opening and a chain: that is no job."""
        files = self.result_files()
        if any(file.kind == document_kind(Opening) for file in files) or (self.path / CHAIN).exists():
            return files[0].filed_at if files else _LONG_AGO
        return None

    def _write(self, path: Path, data: bytes) -> None:
        write_file(path, data)

    def _keep_words(self, number: int, words: bytes) -> None:
        write_file(note_file(self.path, number), words)

    def _erase_words(self, numbers: Collection[int]) -> None:
        for number in numbers:
            if os.path.lexists(note_file(self.path, number)):
                remove_file(note_file(self.path, number))

    def _append(self, lines: bytes, *, fragment: int = 0) -> None:
        descriptor = os.open(self.path / CHAIN, os.O_WRONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
        try:
            end = os.fstat(descriptor).st_size - fragment
            os.ftruncate(descriptor, end)
            try:
                written = 0
                while written < len(lines):
                    written += os.pwrite(descriptor, lines[written:], end + written)
                os.fsync(descriptor)
            except OSError:
                os.ftruncate(descriptor, end)
                raise
        finally:
            os.close(descriptor)

    @contextmanager
    def _opened(self) -> Iterator[int]:
        """Open the folder by descriptor. Raises Refused if it is a link, Unavailable if it cannot be opened."""
        try:
            descriptor = os.open(self.path, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
        except OSError as error:
            refuse_link(self.path)
            raise Unavailable(f"cannot be opened: {error.strerror}", location=str(self.path)) from error
        try:
            yield descriptor
        finally:
            os.close(descriptor)

    @contextmanager
    def _locked(self, *, shared: bool = False) -> Iterator[None]:
        with ExitStack() as held:
            held.enter_context(self._opened())
            if not shared:
                tell_of_lone_lock(self.path.parent, self.notify)
            try:
                # To read takes no right to write. Where nobody has filed yet, there is nothing to wait for.
                lock = open_lock_file(self.path / LOCK, create=not shared)
                held.callback(os.close, lock)  # which also unlocks
                fcntl.flock(lock, fcntl.LOCK_SH if shared else fcntl.LOCK_EX)
            except OSError as error:  # some network file systems keep no locks: then jobs can be read, not filed into
                if not shared:
                    hint = "Keep the jobs in a folder that you may write to, on a file system with locks."
                    problem = f"cannot be locked: {error.strerror}"
                    raise Unavailable(problem, location=str(self.path), hint=hint) from error
            yield


def refuse_link(path: Path) -> None:
    """Refuse a job folder that is a link: whoever made the link would choose where root files results."""
    try:
        linked = path.is_symlink()
    except OSError:  # told by whatever is done with it next
        return
    if linked:
        hint = "Put the job's folder itself there."
        raise Refused("is a link, not the folder of a job", guard="linked-job", location=str(path), hint=hint)


def _read_result(path: Path) -> bytes:
    with regular_file(path, LIMIT_BYTES) as stream:
        return stream.read()


def _read_chain(folder: Path) -> Chain | None:
    """Read the chain of a job; None if it has none. If it cannot be read, that is its fault."""
    try:
        return parse_chain(_read_result(folder / CHAIN))
    except FileNotFoundError:
        return None
    except OSError as error:
        return Chain(faults=(Fault(file=CHAIN, problem=describe_read_error(error)),))
