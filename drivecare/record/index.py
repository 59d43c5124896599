"""The folder store's index: what a list shows of each job, and the names of the drives that were read in it.

    JOBS/.index        a SQLite database, followed by the SHA-256 of its bytes

It is derived from the jobs and never asked about a result. Filing leaves it alone: whoever lists or searches next
compares every job with its row and reads anew those that differ. So two benches may file at once without meeting here,
and what is missing, stale or damaged costs a moment.

    compared for                       notices                                  cost
    every job: the folder's times      what was filed, removed or renamed       one stat for each job
    jobs shown, and those touched      also a result that was changed in place  one stat for each file
    within the last minute

A folder's times alone cannot tell two filings within one tick of the file system's clock, hence the minute.

The database lives in memory. The file is read whole and replaced whole, so there is nothing half written, no lock that
a share would have to keep, and no link to be misled by. If two benches replace it at once, one of them reads a few jobs
again. Where it cannot be written, everything works, only slower.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec

from drivecare.job.overview import JobLine
from drivecare.job.timeline import JobSummary
from drivecare.record.line_origin import line_origin
from drivecare.storage import regular_file, write_file

INDEX = ".index"  # no job can have this name
_LIMIT_BYTES = 1 << 30
_DIGEST_BYTES = hashlib.sha256().digest_size
_TOUCHED = timedelta(minutes=1)
_LINE = msgspec.json.Decoder(JobLine)
_TABLES = """
    CREATE TABLE about (format TEXT);
    CREATE TABLE jobs (
        id TEXT PRIMARY KEY, times TEXT, files BLOB, settled INTEGER, judged_at REAL, holds_until REAL, filed TEXT,
        line BLOB
    ) WITHOUT ROWID;
    CREATE TABLE drives (name TEXT, id TEXT, PRIMARY KEY (name, id)) WITHOUT ROWID;
    CREATE INDEX drives_of_job ON drives (id);
"""


class Stamp(msgspec.Struct, frozen=True, kw_only=True):
    """What a job's folder looked like when it was read: its own times, a digest of its files' sizes and times.

    `settled`: it had not been touched for a minute, so that its times alone will tell whether it was since.
    """

    times: str
    files: bytes
    settled: bool


class IndexEntry(msgspec.Struct, frozen=True, kw_only=True):
    """What the index knows of a job: the stamp it was read with, and when its line holds if nothing is filed."""

    stamp: Stamp
    judged_at: float
    holds_until: float | None

    def holds_at(self, now: datetime) -> bool:
        """Whether the passing of time has left its line as it is. A clock that was set back is another time, too."""
        return self.judged_at <= now.timestamp() and (self.holds_until is None or now.timestamp() < self.holds_until)


def times_of(info: os.stat_result) -> str:
    """The times that any change in a folder moves. Nobody can set the second one."""
    return f"{info.st_mtime_ns} {info.st_ctime_ns}"


def take_stamp(descriptor: int, names: Iterable[str], now: datetime) -> Stamp:
    """Take the stamp of an open folder; `names` are those of the files that count."""
    folder = os.fstat(descriptor)
    digest = hashlib.blake2b(digest_size=16)
    newest = folder.st_mtime
    for name in sorted(names):
        with suppress(OSError):  # what has gone is not in the digest, which then differs
            info = os.stat(name, dir_fd=descriptor, follow_symlinks=False)
            newest = max(newest, info.st_mtime)
            digest.update(f"{name}/{info.st_mode} {info.st_size} {times_of(info)}\n".encode("utf-8", "surrogateescape"))
    settled = newest < (now - _TOUCHED).timestamp()
    return Stamp(times=times_of(folder), files=digest.digest(), settled=settled)


class JobIndex:
    """The index of the folder of jobs `root`, as it was loaded and as it was changed since."""

    def __init__(self, root: Path) -> None:
        self._path = root / INDEX
        self._database = _load(self._path)
        self._changed = False

    def entries(self) -> dict[str, IndexEntry]:
        """What is known of every job, by its ID."""
        rows = self._database.execute("SELECT id, times, files, settled, judged_at, holds_until FROM jobs")
        return {
            id: IndexEntry(
                stamp=Stamp(times=times, files=files, settled=bool(settled)),
                judged_at=judged_at,
                holds_until=holds_until,
            )
            for id, times, files, settled, judged_at, holds_until in rows
        }

    def put(self, id: str, stamp: Stamp, summary: JobSummary, *, filed: datetime, now: datetime) -> None:
        """Add or replace a job, judged `now`, whose first result was `filed` then."""
        self.remove((id,))
        until = summary.holds_until.timestamp() if summary.holds_until is not None else None
        filed_at = filed.astimezone(UTC).isoformat()
        known = (id, stamp.times, stamp.files, stamp.settled, now.timestamp(), until, filed_at)
        line = msgspec.json.encode(summary.line)
        self._database.execute("INSERT INTO jobs VALUES (?, ?, ?, ?, ?, ?, ?, ?)", (*known, line))
        self._changed = True
        self._database.executemany("INSERT INTO drives VALUES (?, ?)", [(name, id) for name in summary.drives])

    def settle(self, id: str, stamp: Stamp) -> None:
        """Note that a job has the same files still, a minute after it was last touched."""
        values = (stamp.times, stamp.settled, id)
        self._database.execute("UPDATE jobs SET times = ?, settled = ? WHERE id = ?", values)
        self._changed = True

    def remove(self, ids: Iterable[str]) -> None:
        """Take jobs out that are gone or cannot be read."""
        for id in ids:
            if self._database.execute("DELETE FROM jobs WHERE id = ?", (id,)).rowcount:
                self._database.execute("DELETE FROM drives WHERE id = ?", (id,))
                self._changed = True

    def filed_times(self) -> list[tuple[datetime, str]]:
        """When the first result of every job was filed, with the job's ID."""
        return _filed_times(self._database.execute("SELECT filed, id FROM jobs"))

    def lines(self) -> Iterator[JobLine]:
        """Every job in one line."""
        for (line,) in self._database.execute("SELECT line FROM jobs"):
            yield _LINE.decode(line)

    def line(self, id: str) -> JobLine:
        """One job in one line."""
        (line,) = self._database.execute("SELECT line FROM jobs WHERE id = ?", (id,)).fetchone()
        return _LINE.decode(line)

    def with_drive(self, names: Iterable[str]) -> list[tuple[datetime, str]]:
        """The jobs that read a drive with one of these names, likewise."""
        query = "SELECT filed, id FROM drives JOIN jobs USING (id) WHERE name = ?"
        rows = {row for name in names for row in self._database.execute(query, (name,))}
        return _filed_times(rows)

    def save(self) -> None:
        """Put the index beside the jobs, if anything changed. Raises DriveCareError where it cannot be written."""
        if self._changed:
            self._database.commit()
            data = self._database.serialize()
            write_file(self._path, data + hashlib.sha256(data).digest(), replace=True)
            self._changed = False


def _filed_times(rows: Iterable[tuple[str, str]]) -> list[tuple[datetime, str]]:
    return [(datetime.fromisoformat(filed), id) for filed, id in rows]


def _load(path: Path) -> sqlite3.Connection:
    """Load the database; a new and empty one where there is none, or it is damaged or of another drivecare."""
    database, fresh = sqlite3.connect(":memory:"), sqlite3.connect(":memory:")
    fresh.executescript(_TABLES)
    # Another drivecare may judge a gate otherwise, so it makes an index of its own.
    fresh.execute("INSERT INTO about VALUES (?)", (line_origin(),))
    with suppress(OSError, sqlite3.Error):
        with regular_file(path, _LIMIT_BYTES) as stream:
            content = stream.read()
        data, digest = content[:-_DIGEST_BYTES], content[-_DIGEST_BYTES:]
        if hashlib.sha256(data).digest() == digest:
            database.deserialize(data)
            if _format(database) == _format(fresh):
                return database
    return fresh


def _format(database: sqlite3.Connection) -> list[object]:
    tables = database.execute("SELECT sql FROM sqlite_schema ORDER BY sql").fetchall()
    return [tables, database.execute("SELECT format FROM about").fetchall()]
