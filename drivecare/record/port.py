"""What a record can do, whichever store keeps it: file a result, read a job, list the jobs, find a drive.

A store supplies a few primitives: a lock on one job, the job's contents, a new result under its name, further lines of
the chain. In which order they are used, what a kill between two of them leaves and how that is mended is decided here,
so it is the same for every store:

    lock the job -> number the result -> make it durable -> give it its line -> unlock

A result is durable before its line is. If an earlier result has no line, later ones get none either, until a person has
looked at them all and takes them up at once. Nothing is ever overwritten.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Collection, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import msgspec

from drivecare.clock import WallClock
from drivecare.documents import Value, decode, encode
from drivecare.errors import BadInput, DriveCareError, Refused, Unavailable
from drivecare.job.afterwards import is_of_later
from drivecare.job.chain import CHAIN, Chain, lines_for, next_number
from drivecare.job.contents import DocumentT, FiledDocument, JobContents
from drivecare.job.customer_notes import erased_notes, separate_words
from drivecare.job.file_names import names_file, separate_names
from drivecare.job.history import names_of_drives
from drivecare.job.model import Closing, Fact, FiledBy, Opening, Withdrawal
from drivecare.job.overview import JobLine, JobList
from drivecare.job.result_files import (
    HIGHEST_NUMBER,
    ResultFile,
    document_kind,
    parse_file_name,
    result_file_name,
    serial_of,
)
from drivecare.job.timeline import JobFilter, summarise_job
from drivecare.reading.identity import Named, search_names
from drivecare.record.model import RecordPush
from drivecare.storage import write_file


def drop_notice(_: object) -> None:
    """Drop a notice."""


@dataclass(frozen=True, kw_only=True)
class FiledJob(ABC):
    """An existing job. `notify` is called with sentences for the person.

    `path` is the job's folder on this machine, for what is not a result: images, journals, sheets. `filed_by` stands in
    every result that is filed.
    """

    path: Path
    notify: Callable[[str], None] = drop_notice
    filed_by: FiledBy | None = None
    now: Callable[[], datetime] = WallClock().now

    @property
    def id(self) -> str:
        """The job's ID."""
        return self.path.name

    @property
    def place(self) -> str:
        """Where the job is, in words for the person."""
        return str(self.path)

    def file(self, document: Value, *, names: bytes = b"") -> Path:
        """File a document as the next result and return its path.

        No name of a customer's file goes into a result: those still in it are kept apart, as are the `names` that the
        caller separated from it, and the words of a note about the customer. An entry that says so erases such words.
        Raises Refused where the job is closed, Unavailable where it cannot be written.
        """
        document, still_in_it = separate_names(document)
        document, words = separate_words(document)
        kind = document_kind(type(document))
        return self.file_bytes(self._stamp(document), kind, names=names or still_in_it, words=words)

    def file_bytes(self, data: bytes, kind: str, *, names: bytes = b"", words: bytes = b"") -> Path:
        """File a document of this kind byte for byte: that of another job, or one just encoded.

        `names` of files and the `words` of a note about the customer belong to it and are kept apart.
        """
        with self._locked():
            contents = self._list()
            if not is_of_later(data, kind, contents):
                self._refuse_if_closed(contents)
            return self._file(data, kind, contents, names, words)

    def keep_names(self, mark: str, names: bytes) -> None:
        """Keep the names of files that belong to a result beside the results; `mark` is its number, as in its name.

        Where they cannot be written, `notify` says so: the result stands without them.
        """
        try:
            write_file(names_file(self.path, mark), names, replace=True)
        except Unavailable as error:
            self.notify(
                f"the names of the files are not kept: {error.message()} While the copy is attached, drivecare "
                "contents RECEIPT looks them up again."
            )

    def describe_filing(self, path: Path) -> str:
        """Say what became of a result, by the path that `file` returned."""
        return f"filed in job {path.parent.name} as {path.name}"

    def refuse_if_closed(self) -> None:
        """Raise Refused where the job is closed, so that no work is begun whose result it would not take."""
        self._refuse_if_closed(self.read())

    def reopen(self, *, note: str, at: str, by: str | None) -> tuple[Withdrawal, Path]:
        """Withdraw the closing and return the entry with its path. Raises BadInput where the job is not closed."""
        with self._locked():
            contents = self._list()
            closing = _standing_closing(contents)
            if closing is None:
                raise BadInput("is not closed", location=f"job {self.id}", hint="It takes results as it is.")
            entry = Withdrawal(files=(closing.name,), note=note, at=at, by=by)
            return entry, self._file(self._stamp(entry), document_kind(Withdrawal), contents)

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
            file = self._save(self._stamp(fact), document_kind(Fact), contents)
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

    def read(self) -> JobContents:
        """Read what the job holds now."""
        with self._locked(shared=True):  # between a result and its line there is nothing to be seen
            return self._list()

    def result_at(self, path: Path) -> bytes | None:
        """Read the result that a command named by its path; None if this job has none there.

        A path is how results are named in commands, whether or not the store keeps them as files.
        """
        contents = self.read()
        file = next((file for file in contents.files if file.path.absolute() == path.absolute()), None)
        return contents.data(file) if file is not None else None

    def result_files(self) -> tuple[ResultFile, ...]:
        """List every result in the order of filing, from the names alone."""
        return self._list().files

    def results(self, kind: type[DocumentT]) -> tuple[FiledDocument[DocumentT], ...]:
        """Read the documents of one type in the order of filing. Raises BadInput naming a file that is malformed."""
        return self.read().documents(kind)

    def _stamp(self, document: Value) -> bytes:
        """Encode a document with who files it, and where."""
        return encode(document, filed=self.filed_by)

    def _refuse_if_closed(self, contents: JobContents) -> None:
        closing = _standing_closing(contents)
        if closing is not None:
            hint = f'Reopen it first: drivecare job reopen {self.id} --note "WHY".'
            problem = f"is closed, by {closing.name}, and takes no new result"
            raise Refused(problem, guard="job-closed", location=f"job {self.id}", hint=hint)

    def _file(self, data: bytes, kind: str, contents: JobContents, names: bytes = b"", words: bytes = b"") -> Path:
        """Write a result, keep apart what belongs to it, and give it its line. What it erases is gone before."""
        erased = erased_notes(data, kind)
        if erased:
            self._erase_words(erased)
        file = self._save(data, kind, contents)
        if names:
            self.keep_names(f"{file.number:04}", names)
        if contents.chain is not None:
            self._add_line(file, contents, contents.chain)
        if words:
            self._keep_words(file.number, words)
        return file.path

    def _save(self, data: bytes, kind: str, contents: JobContents) -> ResultFile:
        """Write a result under the next number."""
        numbers = [file.number for file in contents.files]
        chain = contents.chain
        number = max(numbers, default=0) + 1 if chain is None else next_number(len(chain.links), numbers)
        if number > HIGHEST_NUMBER:
            problem = f"holds a result numbered {HIGHEST_NUMBER:,}, the highest number there is"
            hint = "Move it away if it is not the job's, or open another job."
            raise BadInput(problem, location=str(self.path), hint=hint)
        serial = serial_of(decode(dict, data, origin="document"))
        path = self.path / result_file_name(number, kind, serial, self.now())
        self._write(path, data)
        file = parse_file_name(path)
        assert file is not None
        return file

    def _add_line(self, file: ResultFile, contents: JobContents, chain: Chain) -> None:
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

    # What a store supplies.

    @property
    @abstractmethod
    def images(self) -> Path:
        """The folder for copies of the customer's drive, created when it is first needed."""

    @abstractmethod
    def _locked(self, *, shared: bool = False) -> AbstractContextManager[None]:
        """Keep everybody else from filing in this job, and unless `shared` from reading it."""

    @abstractmethod
    def _list(self) -> JobContents:
        """List the results and parse the chain. Raises Refused or Unavailable where the job cannot be read."""

    @abstractmethod
    def _write(self, path: Path, data: bytes) -> None:
        """Make a new result, whole and durable or not at all. Raises Refused if its name is taken, and Unavailable."""

    @abstractmethod
    def _keep_words(self, number: int, words: bytes) -> None:
        """Keep the words of the note with this number, so that they can be erased. Raises Unavailable."""

    @abstractmethod
    def _erase_words(self, numbers: Collection[int]) -> None:
        """Erase the words of these notes, durably, on behalf of the entry that is filed next. Raises Unavailable."""

    @abstractmethod
    def _append(self, lines: bytes, *, fragment: int = 0) -> None:
        """Add lines to the chain, durably and all or none, in place of a fragment at its end. Raises OSError."""


PAGE = 50  # jobs on one page of a list


def page_span(total: int, page: int) -> tuple[int, int]:
    """Find where a page begins and ends among all jobs, oldest first; page 1 holds the newest."""
    end = max(total - (page - 1) * PAGE, 0)
    return max(end - PAGE, 0), end


def count_pages(total: int) -> int:
    """How many pages there are; an empty list has one."""
    return max(-(-total // PAGE), 1)


def cut_page(lines: Sequence[JobLine], page: int | None) -> JobList:
    """Cut one page out of all lines, oldest first; without a page, keep them all."""
    begin, end = page_span(len(lines), page) if page is not None else (0, len(lines))
    return make_page(lines[begin:end], len(lines), page)


def make_page(lines: Sequence[JobLine], total: int, page: int | None) -> JobList:
    """Make the document of these lines out of `total`."""
    pages = count_pages(total) if page is not None else None
    return JobList(jobs=tuple(lines), total=total, page=page, pages=pages)


@dataclass(frozen=True, kw_only=True)
class Record(ABC):
    """All jobs of a shop. `notify` is called with sentences for the person, who is `filed_by`, at this bench."""

    notify: Callable[[str], None] = drop_notice
    filed_by: FiledBy | None = None
    now: Callable[[], datetime] = WallClock().now

    @abstractmethod
    def create(self, opening: Opening) -> FiledJob:
        """Make a new job and file its opening. Raises BadInput if the ID is unfit or taken, and Unavailable."""

    @abstractmethod
    def job(self, id: str) -> FiledJob:
        """Find an existing job. Raises BadInput if there is none, Refused if something else has its place."""

    @abstractmethod
    def add_job(self, contents: JobContents) -> None:
        """Add a job of another record byte for byte, whole or not at all. Its ID must be free."""

    @abstractmethod
    def jobs(self) -> tuple[FiledJob, ...]:
        """List every job, oldest opening first, then those that cannot be opened."""

    def push(self) -> RecordPush:
        """File what waits on this bench, in order, each once. In a folder nothing ever waits."""
        return RecordPush()

    def ids(self) -> tuple[str, ...]:
        """List the ID of every job, oldest opening first, for whoever completes one."""
        return tuple(job.id for job in self.jobs())

    def list_jobs(self, job_filter: JobFilter, *, page: int | None = None) -> JobList:
        """List the jobs that the filter matches; one that cannot be read says so and always matches."""
        lines = [summarise_job(job.id, job.read, now=self.now()).line for job in self.jobs()]
        return cut_page([line for line in lines if job_filter.matches(line)], page)

    def jobs_with_drive(self, *drives: Named, but: str | None = None) -> tuple[FiledJob, ...]:
        """List the jobs `but` one that may hold a reading of one of these drives, oldest opening first.

        They share a name with it, or cannot be read. Whether it is the same drive, the caller compares.
        """
        return self.jobs_with_names(frozenset(name for drive in drives for name in search_names(drive)), but=but)

    def jobs_with_names(self, names: frozenset[str], *, but: str | None = None) -> tuple[FiledJob, ...]:
        """List the jobs `but` one that read a drive of one of these names (`called_names`), or cannot be read."""
        return tuple(job for job in self.jobs() if job.id != but and _may_name(job, names)) if names else ()


def _may_name(job: FiledJob, names: frozenset[str]) -> bool:
    try:
        return not names.isdisjoint(names_of_drives(job.read()))
    except DriveCareError:
        return True


def _standing_closing(contents: JobContents) -> FiledDocument[Closing] | None:
    """The closing that counts. A malformed file closes no job: that it is malformed, the gate says."""
    return contents.closing(doubtful=contents.names)
