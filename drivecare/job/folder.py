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

The chain begins with the job, empty, before the opening is filed, or never: one that began in the middle would seem to
speak for what lay there before. A result is durable before its line is. Where an earlier result has no line, later ones
get none either: that they lie there unlined is said, and taken up, by a person, once.
"""

from __future__ import annotations

import fcntl
import os
import re
from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Generic, TypeVar

import msgspec

from drivecare.documents import Value, decode, encode, read_bytes
from drivecare.errors import BadInput, DriveCareError, Refused, Unavailable
from drivecare.invoking_user import data_folder
from drivecare.job.chain import (
    CHAIN,
    Audit,
    Chain,
    Fault,
    audit_results,
    lines_for,
    missing_numbers,
    next_number,
    parse_chain,
)
from drivecare.job.model import Fact, Opening
from drivecare.job.result_files import (
    HIGHEST_NUMBER,
    LIMIT_BYTES,
    ResultFile,
    describe_read_error,
    digest_result,
    document_kind,
    is_misnamed,
    parse_file_name,
    regular_file,
    result_file_name,
    serial_of,
)
from drivecare.storage import create_file, create_folder, write_file

T = TypeVar("T", bound=Value)

IMAGES = "images"  # folder for copies of the customer's drive
_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")


def _ignore(_: object) -> None:
    """Notices are for nobody."""


def _utc_now() -> datetime:
    return datetime.now(UTC)


@dataclass(frozen=True, kw_only=True)
class FiledDocument(Generic[T]):
    """A document of a job and where it is filed."""

    file: ResultFile
    document: T


@dataclass(frozen=True, kw_only=True)
class JobFolder:
    """An existing job. `notify` is given sentences for the person."""

    path: Path
    notify: Callable[[str], None] = _ignore
    now: Callable[[], datetime] = _utc_now

    @property
    def id(self) -> str:
        """The job's ID, which is the folder's name."""
        return self.path.name

    @property
    def images(self) -> Path:
        """Folder for copies of the customer's drive; made when first asked for."""
        folder = self.path / IMAGES
        if not folder.is_dir():
            create_folder(folder)
        return folder

    def file(self, document: Value) -> Path:
        """File a document as the next result and return its path. Raises Unavailable where it cannot be written."""
        with self._locked():
            chain, entries = self._chain(), self.result_files()
            filed = self._save(document, chain, entries)
            if chain is not None:
                self._add_line(filed, chain)
        return filed.path

    def mend_chain(self, fact: Fact) -> FiledDocument[Fact]:
        """File the fact that results without a line were looked at, then give each its line.

        The fact names their numbers. Only results at the end are taken up, with everything before them as it was
        filed: Refused where anything else is wrong, BadInput where nothing is missing.
        """
        with self._locked():
            chain, entries = self._chain(), self.result_files()
            found = self._compare(chain, entries, self._names(), digests=True)
            if found.faults:
                raise Refused(
                    f"{found.faults[0].file} {found.faults[0].what}; only results at the end, left without a line by "
                    "an interruption, can be taken up",
                    guard="chain-broken",
                    location=str(self.path),
                    hint="Nothing was filed.",
                )
            if chain is None or not found.unlined:
                what = "has no chain: it was opened before there were any" if chain is None else "has every line"
                raise BadInput(f"{what}; there is nothing to mend", location=str(self.path))
            first, last = found.unlined[0].number, found.unlined[-1].number
            about = f"{first:04}" if first == last else f"{first:04}-{last:04}"
            fact = msgspec.structs.replace(fact, about=about)
            filed = self._save(fact, chain, entries)
            # The fact is durable before the first line is: a kill in between leaves it without a line, too.
            lines = lines_for((*found.unlined, digest_result(filed, digests=True)), chain.end)
            try:
                self._append(lines, fragment=len(chain.fragment))
            except OSError as error:
                hint = "Make room there, then do the same again."
                raise Unavailable(
                    f"cannot be written: {error.strerror}", location=str(self.path / CHAIN), hint=hint
                ) from error
        return FiledDocument(file=filed, document=fact)

    def audit(self, *, digests: bool = True) -> Audit:
        """Compare the results with the chain: by their names, and by what they hold where `digests` are asked for."""
        with self._locked(fcntl.LOCK_SH):  # between a result and its line there is nothing to be seen
            chain, entries, names = self._chain(), self.result_files(), self._names()
        return self._compare(chain, entries, names, digests=digests)

    def result_files(self) -> tuple[ResultFile, ...]:
        """Every result in the order of filing, from the names alone."""
        entries = (parse_file_name(self.path / name) for name in self._names())
        return tuple(sorted((e for e in entries if e is not None), key=lambda e: (e.number, e.path.name)))

    def results(self, kind: type[T], *, doubtful: Container[str] = ()) -> tuple[FiledDocument[T], ...]:
        """The documents of one type in the order of filing. Raises BadInput naming a file that is malformed.

        One of the `doubtful` files, of which an audit tells, is left out instead.
        """
        filed: list[FiledDocument[T]] = []
        for entry in self.result_files():
            if entry.kind == document_kind(kind):
                try:
                    document = decode(kind, read_bytes(entry.path), origin=str(entry.path))
                except BadInput:
                    if entry.path.name not in doubtful:
                        raise
                else:
                    filed.append(FiledDocument(file=entry, document=document))
        return tuple(filed)

    def newest_document(self, kind: type[T]) -> FiledDocument[T] | None:
        """The last document of one type, or None."""
        found = self.results(kind)
        return found[-1] if found else None

    def opening(self) -> Opening:
        """What the job was opened with."""
        first = self.newest_document(Opening)
        if first is None:
            raise BadInput("holds no opening of a job", location=str(self.path), hint="See drivecare job list.")
        return first.document

    def _save(self, document: Value, chain: Chain | None, entries: Sequence[ResultFile]) -> ResultFile:
        """Write a result under the next number."""
        data = encode(document)
        numbers = [entry.number for entry in entries]
        number = max(numbers, default=0) + 1 if chain is None else next_number(len(chain.links), numbers)
        if number > HIGHEST_NUMBER:
            what = f"holds a result numbered {HIGHEST_NUMBER:,}, the highest number there is"
            raise BadInput(
                what, location=str(self.path), hint="Move it away if it is not the job's, or open another job."
            )
        serial = serial_of(decode(dict, data, origin="document"))
        path = self.path / result_file_name(number, document_kind(type(document)), serial, self.now())
        write_file(path, data)
        filed = parse_file_name(path)
        assert filed is not None
        return filed

    def _add_line(self, filed: ResultFile, chain: Chain) -> None:
        """Give a result its line, unless one before it has none. The result stands either way; `notify` is told."""
        if chain.continuable and filed.number == len(chain.links) + 1:
            try:
                self._append(lines_for((digest_result(filed, digests=True),), chain.end))
            except OSError as error:
                reason = f"it cannot be written: {error.strerror}"
            else:
                return
        else:
            reason = "the chain is cut short or broken" if not chain.continuable else "a result before it has none"
        self.notify(
            f"{filed.path.name} has no line in the chain, since {reason}. The gate stays shut until it is looked at: "
            f"drivecare gate {self.id}"
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

    def _compare(
        self, chain: Chain | None, entries: Sequence[ResultFile], names: Iterable[str], *, digests: bool
    ) -> Audit:
        misnamed = [
            Fault(file=ascii(name)[1:-1], what="is named like a result, with a number or a time that none can have")
            for name in sorted(names)
            if is_misnamed(name)
        ]
        if chain is not None:
            audited = audit_results(chain, [digest_result(entry, digests=digests) for entry in entries])
            return replace(audited, faults=(*audited.faults, *misnamed))
        if self.opening().tool_version is not None:
            return Audit(faults=(Fault(file=CHAIN, what="is gone: the job was opened with one"), *misnamed))
        missing = [
            Fault(file=f"{first:04}" if first == last else f"{first:04} to {last:04}", what="filed once and gone")
            for first, last in missing_numbers(entry.number for entry in entries)
        ]
        return Audit(chained=False, faults=(*missing, *misnamed))

    def _chain(self) -> Chain | None:
        """The chain; None where there is none. One that cannot be read has that for its fault."""
        try:
            with regular_file(self.path / CHAIN, LIMIT_BYTES) as stream:
                return parse_chain(stream.read())
        except FileNotFoundError:
            return None
        except OSError as error:
            return Chain(faults=(Fault(file=CHAIN, what=describe_read_error(error)),))

    def _names(self) -> list[str]:
        with self._opened() as descriptor:
            return os.listdir(descriptor)  # noqa: PTH208  by descriptor, which no link can replace

    @contextmanager
    def _opened(self) -> Iterator[int]:
        """The folder by descriptor. Raises Refused where it is a link, Unavailable where it cannot be opened."""
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
                    what = f"cannot be locked: {error.strerror}"
                    raise Unavailable(what, location=str(self.path), hint=hint) from error
            yield


def create_job(opening: Opening, jobs: Path | None = None) -> JobFolder:
    """Make the folder of a new job and file its opening. Raises BadInput where the ID is unfit or taken."""
    root = _jobs_root(jobs)
    path = root / check_job_id(opening.id)
    encode(opening)  # what cannot be filed leaves no empty folder behind
    try:
        create_folder(path, parents=True)
        os.close(create_file(path / CHAIN))  # durable with the folder, once the opening is filed
    except FileExistsError as error:
        raise BadInput("exists already", location=str(path), hint="Choose another ID.") from error
    except OSError as error:
        raise Unavailable(
            f"cannot be made: {error.strerror}", location=str(path), hint="Give --jobs FOLDER."
        ) from error
    folder = JobFolder(path=path)
    folder.file(opening)
    return folder


def open_job(id: str, jobs: Path | None = None, *, notify: Callable[[str], None] = _ignore) -> JobFolder:
    """The folder of an existing job. Raises BadInput where there is none, Refused where it is a link."""
    path = _jobs_root(jobs) / check_job_id(id)
    refuse_link(path)
    try:
        there = path.is_dir()
    except OSError as error:
        raise Unavailable(
            f"cannot be looked at: {error.strerror}", location=str(path), hint="Check its permissions."
        ) from error
    if not there:
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
    """Every job in the folder of jobs, oldest opening first, then those that cannot be opened.

    A folder without an opening and without a chain is none.
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
            entries = folder.result_files()
        except DriveCareError:  # one bad job does not hide the others: whoever reads it is told why
            opened.append((datetime.max.replace(tzinfo=UTC), folder.id, folder))
            continue
        if any(entry.kind == document_kind(Opening) for entry in entries) or (folder.path / CHAIN).exists():
            opened.append((entries[0].filed_at if entries else datetime.min.replace(tzinfo=UTC), folder.id, folder))
    return tuple(folder for _, _, folder in sorted(opened, key=lambda row: row[:2]))


def _jobs_root(jobs: Path | None) -> Path:
    """The folder of jobs, which need not be there yet. Raises BadInput where the path is that of a file."""
    root = jobs_folder(jobs)
    try:
        if root.exists() and not root.is_dir():
            raise BadInput("is a file; jobs lie in a folder", location=str(root), hint="Give --jobs FOLDER.")
    except OSError as error:
        raise Unavailable(
            f"cannot be looked at: {error.strerror}", location=str(root), hint="Give --jobs FOLDER."
        ) from error
    return root


def jobs_folder(jobs: Path | None, *, environ: Mapping[str, str] = os.environ) -> Path:
    """The folder of jobs: the given one, else $DRIVECARE_JOBS, else `jobs` in the invoking user's data folder."""
    if jobs is not None:
        return jobs
    return Path(environ.get("DRIVECARE_JOBS") or data_folder(environ=environ) / "jobs")


def check_job_id(id: str) -> str:
    """The ID, if it can name a folder: letters, digits, dot, dash, underscore, at most 64."""
    if not _ID.fullmatch(id):
        raise BadInput(
            f"{id!r} cannot name a job",
            hint="Use up to 64 letters, digits, dots, dashes and underscores, a letter or digit first.",
        )
    return id
