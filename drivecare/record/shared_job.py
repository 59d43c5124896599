"""One job of a shared record. A result and its line in the chain are one transaction: both are there, or neither.

    who files in a job              holds its lock in the database until the transaction ends
    number, name, line, token       are unique there, and a line is held to its result and to the line before it

So two benches cannot take one number or fork a chain, whatever happens between them and the server.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path

from drivecare.documents import decode
from drivecare.errors import BadInput, DriveCareError, RecordAway
from drivecare.job.chain import CHAIN, parse_chain
from drivecare.job.contents import JobContents
from drivecare.job.customer_notes import ERASING, note_contents, note_file, note_number
from drivecare.job.result_files import IMAGES, document_kind, is_result, parse_file_name
from drivecare.reading.identity import called_names
from drivecare.reading.model import Reading
from drivecare.record.last_read import LastRead, describe_waiting
from drivecare.record.outbox import Outbox, WaitingResult
from drivecare.record.port import FiledJob
from drivecare.record.server import Server
from drivecare.risk.model import Assessment
from drivecare.storage import create_folder

_WORDS = "SELECT coalesce((SELECT data FROM drivecare.note WHERE job = %s AND number = %s), '')"
_JUDGED: dict[str, type[Reading] | type[Assessment]] = {document_kind(kind): kind for kind in (Reading, Assessment)}


@dataclass(frozen=True, kw_only=True)
class SharedJob(FiledJob):
    """An existing job of the record on `server`. What is not a result lies at `path`, which need not exist."""

    server: Server
    outbox: Outbox
    last_read: LastRead | None = None  # None for a job that is only looked through
    token: uuid.UUID | None = None

    @property
    def place(self) -> str:
        """The record, and the job's folder on this bench."""
        return f"the record; images and sheets of this bench are in {self.path}"

    def file_bytes(self, data: bytes, kind: str, *, names: bytes = b"", words: bytes = b"") -> Path:
        """File a document; while the server is away, or earlier results wait, put it into the outbox.

        A note about the customer never waits: a copy of its words on the bench would outlast their erasure.
        """
        if words:
            return self._file_with_words(data, kind, words)
        token = uuid.uuid4()
        if not self.outbox.waiting(self.id):
            # An answer that never came leaves open whether the server took it; the token will tell.
            with suppress(RecordAway):
                return FiledJob.file_bytes(replace(self, token=token), data, kind, names=names)
        if names:
            self.keep_names(f"waiting-{token}", names)
        return self.outbox.put(data, job=self.id, kind=kind, token=token)

    def _file_with_words(self, data: bytes, kind: str, words: bytes) -> Path:
        hint = "See drivecare job show once it is there: if the note is not in the job, record it again."
        if self.outbox.waiting(self.id):
            problem = "earlier results of the job wait on this bench, where a note about the customer cannot wait"
            raise RecordAway(problem, location=f"job {self.id}", hint="File them first: drivecare records push.")
        try:
            return FiledJob.file_bytes(self, data, kind, words=words)
        except RecordAway as away:
            problem = f"a note about the customer is kept there alone: {away.problem}"
            raise RecordAway(problem, location=away.location, hint=hint) from away

    def push(self, result: WaitingResult) -> Path:
        """File a result that waited, unless it has arrived already. Raises DriveCareError, and OSError of the file."""
        with self._locked():
            names = self.server.rows("SELECT name FROM drivecare.result WHERE token = %s", result.token)
            if names:
                return self.path / str(names[0][0])
            return FiledJob.file_bytes(replace(self, token=result.token), result.read(), result.kind)

    def fill(self, contents: JobContents) -> None:
        """Put the results and the chain of another record's job here as they are."""
        for file in contents.files:
            self._write(file.path, contents.data(file))
        if contents.chain is not None:
            self._append(contents.fetch(contents.path / CHAIN))
        for number, words in note_contents(contents):
            self._keep_words(number, words)

    def describe_filing(self, path: Path) -> str:
        """Say what became of a result: one in the outbox is not filed."""
        if path.parent != self.outbox.folder:
            return f"filed in job {path.parent.name} of the record as {path.name}"
        return (
            f"NOT FILED YET: the record's server is away, or earlier results wait. It is safe on this bench as {path}; "
            "drivecare records push files it, and so does the next command that reaches the server."
        )

    def read(self) -> JobContents:
        """Read the job, or how this bench last had it while the server is away."""
        waiting = self.outbox.waiting(self.id)
        try:
            contents = self._list()
        except RecordAway:
            if self.last_read is None:
                raise
            return self.last_read.read(self.path, self._names_beside(), waiting)
        if self.last_read is not None:
            try:
                self.last_read.keep(contents)
            except (DriveCareError, OSError) as error:
                self.notify(f"this bench can keep no copy of job {self.id} for when the server is away: {error}")
        return replace(contents, away=describe_waiting(len(waiting))) if waiting else contents

    @property
    def images(self) -> Path:
        """The folder for copies of the customer's drive on this bench, created when it is first needed."""
        folder = self.path / IMAGES
        if not folder.is_dir():
            create_folder(folder, parents=True)
        return folder

    def keep_names(self, mark: str, names: bytes) -> None:
        """Keep the names of files on this bench alone: they never go to the server."""
        if not self.path.is_dir():
            create_folder(self.path, parents=True)
        super().keep_names(mark, names)

    @contextmanager
    def _locked(self, *, shared: bool = False) -> Iterator[None]:
        if shared:  # one statement reads names and chain, and sees every transaction whole or not at all
            yield
            return
        with self.server.transaction():
            self.server.rows("SELECT pg_advisory_xact_lock(hashtextextended('drivecare job ' || %s, 0))", self.id)
            yield

    def _list(self) -> JobContents:
        query = """
            SELECT chained, (SELECT array_agg(name) FROM drivecare.result WHERE job = id),
                (SELECT string_agg(line, '' ORDER BY number) FROM drivecare.line WHERE job = id),
                (SELECT array_agg(number) FROM drivecare.note WHERE job = id)
            FROM drivecare.job WHERE id = %s
        """
        rows = self.server.rows(query, self.id)
        if not rows:
            raise no_such_job(self.id, self.server)
        ((chained, names, lines, notes),) = rows
        lines = lines or b""
        return JobContents(
            path=self.path,
            names=(
                *(names or ()),
                *(note_file(self.path, number).name for number in notes or ()),
                *self._names_beside(),
            ),
            chain=parse_chain(lines) if chained else None,
            fetch=_Results(self.server, self.id, lines),
        )

    def _names_beside(self) -> list[str]:
        """What lies in the job's folder on this bench: journals, notes of copies, sheets."""
        try:
            return [path.name for path in self.path.iterdir() if not is_result(path)]
        except OSError:  # not made yet
            return []

    def _write(self, path: Path, data: bytes) -> None:
        file = parse_file_name(path)
        assert file is not None
        row = (self.id, file.number, path.name, data, self.token or uuid.uuid4())
        if file.kind in ERASING:
            self.server.rows("SELECT drivecare.file_and_erase(%s, %s, %s, %s, %s)", *row)
        else:
            query = "INSERT INTO drivecare.result (job, number, name, data, token) VALUES (%s, %s, %s, %s, %s)"
            self.server.run(query, *row)
        names = [(name, self.id) for name in _names_of_drive(data, file.kind)]
        self.server.run_for_each("INSERT INTO drivecare.drive VALUES (%s, %s) ON CONFLICT DO NOTHING", names)

    def _keep_words(self, number: int, words: bytes) -> None:
        self.server.run("INSERT INTO drivecare.note VALUES (%s, %s, %s)", self.id, number, words)

    def _erase_words(self, numbers: Collection[int]) -> None:
        """Leave it to the server, which erases them in the transaction that files the entry."""

    def _append(self, lines: bytes, *, fragment: int = 0) -> None:  # noqa: ARG002  a transaction leaves no fragment
        rows = [(self.id, int(line.partition(b" ")[0]), line) for line in lines.splitlines(keepends=True)]
        self.server.run_for_each("INSERT INTO drivecare.line VALUES (%s, %s, %s)", rows)


class _Results:
    """The results of a job: the first by itself, since a filing reads just what it wrote; with the second all of them,
    since who needs two needs most, and each way to the server takes its time. The lines of the chain are there already.
    """

    def __init__(self, server: Server, id: str, lines: bytes) -> None:
        self._server = server
        self._id = id
        self._data = {CHAIN: lines}

    def __call__(self, path: Path) -> bytes:
        number = note_number(path.name)
        if number is not None:
            ((words,),) = self._server.rows(_WORDS, self._id, number)
            return bytes(words)
        if path.name not in self._data:
            query = "SELECT name, data FROM drivecare.result WHERE job = %s AND (name = %s OR %s)"
            self._data.update(self._server.rows(query, self._id, path.name, len(self._data) > 1))
        return self._data[path.name]


def no_such_job(id: str, server: Server) -> BadInput:
    """The error of naming a job that the record does not have."""
    hint = "See drivecare job list, or open it: drivecare job new."
    return BadInput(f"there is no job {id}", location=str(server.address), hint=hint)


def _names_of_drive(data: bytes, kind: str) -> tuple[str, ...]:
    """Every name that a judged drive is called by. One that cannot be read has none, and what reads the job says so."""
    if kind not in _JUDGED:
        return ()
    try:
        return tuple(called_names(decode(_JUDGED[kind], data, origin=kind).drive))
    except BadInput:
        return ()
