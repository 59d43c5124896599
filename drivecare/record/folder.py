"""The default store: one folder per job, one file per result, readable without the tool.

    JOBS/1042/0001-opening-20261125T100000Z.json
              0002-reading-KX25-00417-20261125T103100Z.json
              0003-assessment-KX25-00417-20261125T103102Z.json
              ...
              chain          one line for each result: its name, its digest, the digest of the line before
              images/        copies of the customer's drive made for this job

A file's name is its number in the job, the kind of document, the drive's serial number where it has one and the time
(UTC) it was filed. Two terminals may file at once: the folder is locked while a number is taken, and a file appears
whole or not at all.

The chain begins with the job, empty, before the opening is filed, or never: one that began later would seem to vouch
for what was there before.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from drivecare.documents import encode
from drivecare.errors import BadInput, DriveCareError, Refused, Unavailable
from drivecare.job.chain import CHAIN, Chain, Fault, parse_chain
from drivecare.job.contents import JobContents
from drivecare.job.model import Opening
from drivecare.job.result_files import IMAGES, LIMIT_BYTES, check_job_id, document_kind
from drivecare.record.port import FiledJob, Record, drop_notice
from drivecare.storage import create_file, create_folder, describe_read_error, regular_file, write_file

_CHOOSE_ROOT = "Give --jobs FOLDER."


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

    def _write(self, path: Path, data: bytes) -> None:
        write_file(path, data)

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
            os.close(descriptor)  # which also unlocks

    @contextmanager
    def _locked(self, *, shared: bool = False) -> Iterator[None]:
        with self._opened() as descriptor:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_SH if shared else fcntl.LOCK_EX)
            except OSError as error:  # some network file systems keep no locks: then jobs can be read, not filed into
                if not shared:
                    hint = "Keep the jobs on a file system with locks."
                    problem = f"cannot be locked: {error.strerror}"
                    raise Unavailable(problem, location=str(self.path), hint=hint) from error
            yield


@dataclass(frozen=True, kw_only=True)
class FolderRecord(Record):
    """All jobs of the folder `root`, which need not exist yet."""

    root: Path

    def create(self, opening: Opening) -> JobFolder:
        """Create the folder of a new job and file its opening. Raises BadInput if the ID is unfit or taken."""
        path = self._checked_root() / check_job_id(opening.id)
        encode(opening)  # what cannot be filed leaves no empty folder behind
        try:
            create_folder(path, parents=True)
            os.close(create_file(path / CHAIN))  # durable with the folder, once the opening is filed
        except FileExistsError as error:
            raise BadInput("already exists", location=str(path), hint="Choose another ID.") from error
        except OSError as error:
            raise Unavailable(f"cannot be created: {error.strerror}", location=str(path), hint=_CHOOSE_ROOT) from error
        folder = JobFolder(path=path)
        folder.file(opening)
        return folder

    def job(self, id: str, *, notify: Callable[[str], None] = drop_notice) -> JobFolder:
        """Find the folder of an existing job. Raises BadInput if there is none, Refused if it is a link."""
        path = self._checked_root() / check_job_id(id)
        refuse_link(path)
        try:
            exists = path.is_dir()
        except OSError as error:
            raise Unavailable(
                f"cannot be accessed: {error.strerror}", location=str(path), hint="Check its permissions."
            ) from error
        if not exists:
            hint = "See drivecare job list, or open it: drivecare job new."
            raise BadInput(f"there is no job {id}", location=str(path.parent), hint=hint)
        return JobFolder(path=path, notify=notify)

    def jobs(self) -> tuple[JobFolder, ...]:
        """List every job in the folder of jobs, oldest opening first, then those that cannot be opened.

        A folder without an opening and without a chain is not a job.
        """
        root = self._checked_root()
        try:
            folders = [JobFolder(path=path) for path in root.iterdir() if path.is_dir()] if root.is_dir() else []
        except OSError as error:
            raise Unavailable(f"cannot be listed: {error.strerror}", location=str(root), hint=_CHOOSE_ROOT) from error
        opened: list[tuple[datetime, str, JobFolder]] = []
        for folder in folders:
            try:
                files = folder.result_files()
            except DriveCareError:  # one bad job does not hide the others: whoever reads it is told why
                opened.append((datetime.max.replace(tzinfo=UTC), folder.id, folder))
                continue
            if any(file.kind == document_kind(Opening) for file in files) or (folder.path / CHAIN).exists():
                opened.append((files[0].filed_at if files else datetime.min.replace(tzinfo=UTC), folder.id, folder))
        return tuple(folder for _, _, folder in sorted(opened, key=lambda row: row[:2]))

    def _checked_root(self) -> Path:
        """Return the folder of jobs. Raises BadInput if the path is that of a file."""
        try:
            if self.root.exists() and not self.root.is_dir():
                problem = "is a file; jobs are kept in a folder"
                raise BadInput(problem, location=str(self.root), hint=_CHOOSE_ROOT)
        except OSError as error:
            raise Unavailable(
                f"cannot be accessed: {error.strerror}", location=str(self.root), hint=_CHOOSE_ROOT
            ) from error
        return self.root


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
