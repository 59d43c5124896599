"""The job folder: one folder per job, one file per result, readable without the tool.

    JOBS/1042/0001-opening-20261125T100000Z.json
              0002-reading-KX25-00417-20261125T103100Z.json
              0003-assessment-KX25-00417-20261125T103102Z.json
              ...
              chain          one line for each result: its name, its digest, the digest of the line before
              images/        copies of the customer's drive made for this job

A file's name is its number in the job, the kind of document, the drive's serial number where it has one and the time
(UTC) it was filed. Nothing is ever overwritten. Two terminals may file at once: the folder is locked while a number is
taken, and a file appears whole or not at all.

The chain begins with the job, empty, before the opening is filed, or never: one that began later would seem to vouch
for what was there before. A result is durable before its line is. If an earlier result has no line, later ones get none
either, until a person has looked at them all and takes them up at once.
"""

from __future__ import annotations

import fcntl
import os
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from drivecare.clock import WallClock
from drivecare.documents import Value, decode, encode
from drivecare.errors import BadInput, DriveCareError, Refused, Unavailable
from drivecare.invoking_user import data_folder
from drivecare.job.chain import CHAIN, Chain, lines_for, next_number
from drivecare.job.contents import DocumentT, FiledDocument, FolderContents, read_chain
from drivecare.job.model import Fact, Opening
from drivecare.job.result_files import (
    HIGHEST_NUMBER,
    ResultFile,
    document_kind,
    parse_file_name,
    result_file_name,
    serial_of,
)
from drivecare.storage import create_file, create_folder, write_file

IMAGES = "images"  # folder for copies of the customer's drive
_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")


def _drop_notice(_: object) -> None:
    """Drop a notice."""


@dataclass(frozen=True, kw_only=True)
class JobFolder:
    """An existing job. `notify` is called with sentences for the person."""

    path: Path
    notify: Callable[[str], None] = _drop_notice
    now: Callable[[], datetime] = WallClock().now

    @property
    def id(self) -> str:
        """The job's ID, which is the folder's name."""
        return self.path.name

    @property
    def images(self) -> Path:
        """The folder for copies of the customer's drive, created when it is first needed."""
        folder = self.path / IMAGES
        if not folder.is_dir():
            create_folder(folder)
        return folder

    def file(self, document: Value) -> Path:
        """File a document as the next result and return its path. Raises Unavailable where it cannot be written."""
        with self._locked():
            contents = self._list()
            file = self._save(document, contents)
            if contents.chain is not None:
                self._add_line(file, contents, contents.chain)
        return file.path

    def mend_chain(self, fact: Fact) -> FiledDocument[Fact]:
        """File the fact that somebody looked at results without a line, then give each its line.

        The fact names their numbers. Only results at the end are taken up, with everything before them as it was
        filed: Refused if anything else is wrong, BadInput if nothing is missing.
        """
        with self._locked():
            contents = self._list()
            chain, audit = contents.chain, contents.audit()
            if audit.faults:
                fault = audit.faults[0]
                raise Refused(
                    f"{fault.file} {fault.problem}; only results at the end, left without a line by an interruption, "
                    "can be taken up",
                    guard="chain-broken",
                    location=str(self.path),
                    hint="Nothing was filed.",
                )
            if chain is None or not audit.unlined:
                reason = "has no chain: it was opened before there were any" if chain is None else "has every line"
                raise BadInput(f"{reason}; there is nothing to mend", location=str(self.path))
            first, last = audit.unlined[0].number, audit.unlined[-1].number
            about = f"{first:04}" if first == last else f"{first:04}-{last:04}"
            fact = msgspec.structs.replace(fact, about=about)
            file = self._save(fact, contents)
            # The fact is durable before the first line is: a kill in between leaves it without a line, too.
            lines = lines_for((*audit.unlined, contents.digested(file)), chain.end)
            try:
                self._append(lines, fragment=len(chain.fragment))
            except OSError as error:
                hint = "Make room there, then do the same again."
                raise Unavailable(
                    f"cannot be written: {error.strerror}", location=str(self.path / CHAIN), hint=hint
                ) from error
        return FiledDocument(file=file, document=fact)

    def read(self) -> FolderContents:
        """Read what the folder holds now."""
        with self._locked(fcntl.LOCK_SH):  # between a result and its line there is nothing to be seen
            return self._list()

    def result_files(self) -> tuple[ResultFile, ...]:
        """List every result in the order of filing, from the names alone."""
        return self._list().files

    def results(self, kind: type[DocumentT]) -> tuple[FiledDocument[DocumentT], ...]:
        """Read the documents of one type in the order of filing. Raises BadInput naming a file that is malformed."""
        return self.read().documents(kind)

    def _list(self) -> FolderContents:
        with self._opened() as descriptor:
            names = os.listdir(descriptor)  # noqa: PTH208  by descriptor, which no link can replace
        return FolderContents(path=self.path, names=tuple(names), chain=read_chain(self.path))

    def _save(self, document: Value, contents: FolderContents) -> ResultFile:
        """Write a result under the next number."""
        data = encode(document)
        numbers = [file.number for file in contents.files]
        chain = contents.chain
        number = max(numbers, default=0) + 1 if chain is None else next_number(len(chain.links), numbers)
        if number > HIGHEST_NUMBER:
            problem = f"holds a result numbered {HIGHEST_NUMBER:,}, the highest number there is"
            hint = "Move it away if it is not the job's, or open another job."
            raise BadInput(problem, location=str(self.path), hint=hint)
        serial = serial_of(decode(dict, data, origin="document"))
        path = self.path / result_file_name(number, document_kind(type(document)), serial, self.now())
        write_file(path, data)
        file = parse_file_name(path)
        assert file is not None
        return file

    def _add_line(self, file: ResultFile, contents: FolderContents, chain: Chain) -> None:
        """Give a result its line, unless one before it has none: `notify` says so. The result stands either way."""
        if chain.continuable and file.number == len(chain.links) + 1:
            try:
                self._append(lines_for((contents.digested(file),), chain.end))
            except OSError as error:
                reason = f"it cannot be written: {error.strerror}"
            else:
                return
        else:
            reason = "the chain is cut short or broken" if not chain.continuable else "a result before it has none"
        self.notify(
            f"{file.path.name} has no line in the chain, since {reason}. The gate stays shut until somebody looks at "
            f"it: drivecare gate {self.id}"
        )

    def _append(self, lines: bytes, *, fragment: int = 0) -> None:
        """Add lines to the chain, durably and all or none, in place of a fragment at its end. Raises OSError."""
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
    def _locked(self, how: int = fcntl.LOCK_EX) -> Iterator[None]:
        with self._opened() as descriptor:
            try:
                fcntl.flock(descriptor, how)
            except OSError as error:  # some network file systems keep no locks: then jobs can be read, not filed into
                if how == fcntl.LOCK_EX:
                    hint = "Keep the jobs on a file system with locks."
                    problem = f"cannot be locked: {error.strerror}"
                    raise Unavailable(problem, location=str(self.path), hint=hint) from error
            yield


def create_job(opening: Opening, jobs: Path | None = None) -> JobFolder:
    """Create the folder of a new job and file its opening. Raises BadInput if the ID is unfit or taken."""
    root = _jobs_root(jobs)
    path = root / check_job_id(opening.id)
    encode(opening)  # what cannot be filed leaves no empty folder behind
    try:
        create_folder(path, parents=True)
        os.close(create_file(path / CHAIN))  # durable with the folder, once the opening is filed
    except FileExistsError as error:
        raise BadInput("already exists", location=str(path), hint="Choose another ID.") from error
    except OSError as error:
        raise Unavailable(
            f"cannot be created: {error.strerror}", location=str(path), hint="Give --jobs FOLDER."
        ) from error
    folder = JobFolder(path=path)
    folder.file(opening)
    return folder


def open_job(id: str, jobs: Path | None = None, *, notify: Callable[[str], None] = _drop_notice) -> JobFolder:
    """Find the folder of an existing job. Raises BadInput if there is none, Refused if it is a link."""
    path = _jobs_root(jobs) / check_job_id(id)
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


def refuse_link(path: Path) -> None:
    """Refuse a job folder that is a link: whoever made the link would choose where root files results."""
    try:
        linked = path.is_symlink()
    except OSError:  # told by whatever is done with it next
        return
    if linked:
        hint = "Put the job's folder itself there."
        raise Refused("is a link, not the folder of a job", guard="linked-job", location=str(path), hint=hint)


def all_jobs(jobs: Path | None = None) -> tuple[JobFolder, ...]:
    """List every job in the folder of jobs, oldest opening first, then those that cannot be opened.

    A folder without an opening and without a chain is not a job.
    """
    root = _jobs_root(jobs)
    try:
        folders = [JobFolder(path=path) for path in root.iterdir() if path.is_dir()] if root.is_dir() else []
    except OSError as error:
        raise Unavailable(
            f"cannot be listed: {error.strerror}", location=str(root), hint="Give --jobs FOLDER."
        ) from error
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


def _jobs_root(jobs: Path | None) -> Path:
    """Find the folder of jobs, which need not exist yet. Raises BadInput if the path is that of a file."""
    root = jobs_folder(jobs)
    try:
        if root.exists() and not root.is_dir():
            raise BadInput("is a file; jobs are kept in a folder", location=str(root), hint="Give --jobs FOLDER.")
    except OSError as error:
        raise Unavailable(
            f"cannot be accessed: {error.strerror}", location=str(root), hint="Give --jobs FOLDER."
        ) from error
    return root


def jobs_folder(jobs: Path | None, *, environ: Mapping[str, str] = os.environ) -> Path:
    """Find the folder of jobs: the given one, else $DRIVECARE_JOBS, else `jobs` in the invoking user's data folder."""
    if jobs is not None:
        return jobs
    return Path(environ.get("DRIVECARE_JOBS") or data_folder(environ=environ) / "jobs")


def check_job_id(id: str) -> str:
    """Return the ID if it can name a folder: letters, digits, dot, dash, underscore, at most 64."""
    if not _ID.fullmatch(id):
        raise BadInput(
            f"{id!r} cannot name a job",
            hint="Use up to 64 letters, digits, dots, dashes and underscores, a letter or digit first.",
        )
    return id
