"""The job folder: one folder per job, one file per result, readable without the tool.

    JOBS/1042/0001-opening-20261125T100000Z.json
              0002-reading-KX25-00417-20261125T103100Z.json
              0003-assessment-KX25-00417-20261125T103102Z.json
              ...
              images/        copies of the customer's drive made for this job

A file's name is its number in the job, the kind of document, the drive's serial number where it has one and the time
(UTC) it was filed. Nothing is ever overwritten. Two terminals may file at once: the folder is locked while a number is
taken, and a file appears whole or not at all.
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
from typing import Any, Generic, TypeVar

import msgspec

from drivecare.documents import Value, decode, encode, read_bytes
from drivecare.errors import BadInput, Unavailable
from drivecare.job.model import Opening
from drivecare.storage import create_folder, write_file

T = TypeVar("T", bound=Value)

IMAGES = "images"  # folder for copies of the customer's drive
_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_NAME = re.compile(r"(\d{4,})-([a-z0-9]+)-(?:(.+)-)?(\d{8}T\d{6}Z)\.json")
_STAMP = "%Y%m%dT%H%M%SZ"


def _now() -> datetime:
    return datetime.now(UTC)


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One file of a job, as its name tells it: `kind` is the document's name without dashes ("readscan")."""

    number: int
    kind: str
    serial: str | None
    filed_at: datetime
    path: Path


@dataclass(frozen=True, kw_only=True)
class Filed(Generic[T]):
    """A document of a job and where it is filed."""

    entry: Entry
    document: T


@dataclass(frozen=True, kw_only=True)
class JobFolder:
    """An existing job."""

    path: Path
    now: Callable[[], datetime] = _now

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
        data = encode(document)
        kind = kind_of(type(document))
        serial = serial_of(msgspec.json.decode(data))
        with self._locked():
            number = max((entry.number for entry in self.entries()), default=0) + 1
            parts = (f"{number:04}", kind, serial, self.now().astimezone(UTC).strftime(_STAMP))
            path = self.path / ("-".join(part for part in parts if part) + ".json")
            write_file(path, data)
        return path

    def entries(self) -> tuple[Entry, ...]:
        """Every result in the order of filing, from the names alone."""
        try:
            paths = list(self.path.iterdir())
        except OSError as error:
            raise Unavailable(f"cannot be listed: {error.strerror}", where=str(self.path)) from error
        found = (_entry(path) for path in paths)
        return tuple(sorted((e for e in found if e is not None), key=lambda e: (e.number, e.path.name)))

    def missing(self) -> tuple[int, ...]:
        """Numbers that were filed once and are gone."""
        numbers = {entry.number for entry in self.entries()}
        return tuple(sorted(set(range(1, max(numbers, default=0))) - numbers))

    def results(self, kind: type[T]) -> tuple[Filed[T], ...]:
        """The documents of one type in the order of filing. Raises BadInput naming a file that is malformed."""
        wanted = kind_of(kind)
        return tuple(
            Filed(entry=entry, document=decode(kind, read_bytes(entry.path), origin=str(entry.path)))
            for entry in self.entries()
            if entry.kind == wanted
        )

    def newest(self, kind: type[T]) -> Filed[T] | None:
        """The last document of one type, or None."""
        found = self.results(kind)
        return found[-1] if found else None

    def opening(self) -> Opening:
        """What the job was opened with."""
        first = self.newest(Opening)
        if first is None:
            raise BadInput("holds no opening of a job", where=str(self.path), hint="See drivecare job list.")
        return first.document

    @contextmanager
    def _locked(self) -> Iterator[None]:
        try:
            descriptor = os.open(self.path, os.O_RDONLY | os.O_DIRECTORY)
        except OSError as error:
            raise Unavailable(f"cannot be opened: {error.strerror}", where=str(self.path)) from error
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX)
            yield
        finally:
            os.close(descriptor)  # which also unlocks


def create_job(opening: Opening, jobs: Path | None = None) -> JobFolder:
    """Make the folder of a new job and file its opening. Raises BadInput where the ID is unfit or taken."""
    root = _root(jobs)
    path = root / checked_id(opening.id)
    encode(opening)  # what cannot be filed leaves no empty folder behind
    try:
        create_folder(path, parents=True)
    except FileExistsError as error:
        raise BadInput("exists already", where=str(path), hint="Choose another ID.") from error
    except OSError as error:
        raise Unavailable(f"cannot be made: {error.strerror}", where=str(path), hint="Give --jobs FOLDER.") from error
    folder = JobFolder(path=path)
    folder.file(opening)
    return folder


def open_job(id: str, jobs: Path | None = None) -> JobFolder:
    """The folder of an existing job. Raises BadInput where there is none."""
    path = _root(jobs) / checked_id(id)
    try:
        there = path.is_dir()
    except OSError as error:
        raise Unavailable(
            f"cannot be looked at: {error.strerror}", where=str(path), hint="Check its permissions."
        ) from error
    if not there:
        hint = "See drivecare job list, or open it: drivecare job new."
        raise BadInput(f"there is no job {id}", where=str(path.parent), hint=hint)
    return JobFolder(path=path)


def all_jobs(jobs: Path | None = None) -> tuple[JobFolder, ...]:
    """Every job in the folder of jobs, oldest opening first; a folder without an opening is none."""
    root = _root(jobs)
    try:
        folders = [JobFolder(path=path) for path in root.iterdir() if path.is_dir()] if root.is_dir() else []
    except OSError as error:
        raise Unavailable(f"cannot be listed: {error.strerror}", where=str(root), hint="Give --jobs FOLDER.") from error
    opened = [folder for folder in folders if any(entry.kind == kind_of(Opening) for entry in folder.entries())]
    return tuple(sorted(opened, key=lambda folder: (folder.entries()[0].filed_at, folder.id)))


def _root(jobs: Path | None) -> Path:
    """The folder of jobs, which need not be there yet. Raises BadInput where the path is that of a file."""
    root = jobs_folder(jobs)
    try:
        if root.exists() and not root.is_dir():
            raise BadInput("is a file; jobs lie in a folder", where=str(root), hint="Give --jobs FOLDER.")
    except OSError as error:
        raise Unavailable(
            f"cannot be looked at: {error.strerror}", where=str(root), hint="Give --jobs FOLDER."
        ) from error
    return root


def jobs_folder(jobs: Path | None, *, environ: Mapping[str, str] = os.environ, data: Path | None = None) -> Path:
    """Where jobs lie: as told, else $DRIVECARE_JOBS, else `drivecare/jobs` in the XDG data folder (`data` if given)."""
    if jobs is not None:
        return jobs
    if environ.get("DRIVECARE_JOBS"):
        return Path(environ["DRIVECARE_JOBS"])
    xdg = environ.get("XDG_DATA_HOME", "")
    home = Path(xdg) if xdg.startswith("/") else Path.home() / ".local" / "share"
    return (data or home) / "drivecare" / "jobs"


def checked_id(id: str) -> str:
    """The ID, if it can name a folder: letters, digits, dot, dash, underscore, at most 64."""
    if not _ID.fullmatch(id):
        raise BadInput(
            f"{id!r} cannot name a job",
            hint="Use up to 64 letters, digits, dots, dashes and underscores, a letter or digit first.",
        )
    return id


def kind_of(kind: type[Value]) -> str:
    """A document type's name in a file name: "drivecare/selftest-1" is "selftest"."""
    schema = next(field.default for field in msgspec.structs.fields(kind) if field.name == "schema")
    return str(schema).partition("/")[2].rpartition("-")[0].replace("-", "")


def serial_of(document: Mapping[str, Any]) -> str | None:
    """The serial number a document is about, fit for a file name: of its drive, else its target, else its source."""
    for place in (document, document.get("drive"), document.get("target"), document.get("source")):
        if isinstance(place, Mapping) and isinstance(place.get("serial"), str):
            return re.sub(r"[^A-Za-z0-9._-]+", "_", place["serial"])[:40].strip("-._") or None
    return None


def _entry(path: Path) -> Entry | None:
    match = _NAME.fullmatch(path.name)
    if match is None:
        return None
    number, kind, serial, stamp = match.groups()
    filed_at = datetime.strptime(stamp, _STAMP).replace(tzinfo=UTC)
    return Entry(number=int(number), kind=kind, serial=serial, filed_at=filed_at, path=path)
