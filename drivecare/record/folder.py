"""The default store: a folder with one folder for each job, and an index that makes lists and searches quick."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from drivecare.documents import encode
from drivecare.errors import BadInput, DriveCareError, Unavailable
from drivecare.job.chain import CHAIN
from drivecare.job.contents import JobContents
from drivecare.job.customer_notes import note_contents, note_file
from drivecare.job.model import Opening
from drivecare.job.overview import JobList
from drivecare.job.result_files import check_job_id
from drivecare.job.timeline import JobFilter
from drivecare.record.job_folder import JobFolder, refuse_link
from drivecare.record.port import Record, make_page, page_span
from drivecare.record.reconcile import CurrentIndex
from drivecare.storage import create_file, create_folder, sync_folder, write_file

_CHOOSE_ROOT = "Give --jobs FOLDER."
_TAKEN = (errno.EEXIST, errno.ENOTEMPTY)  # how a rename refuses to replace a job
_NEVER = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True, kw_only=True)
class FolderRecord(Record):
    """All jobs of the folder `root`, which need not exist yet."""

    root: Path

    def create(self, opening: Opening) -> JobFolder:
        """Create the folder of a new job and file its opening. Raises BadInput if the ID is unfit or taken."""
        encode(opening)  # what cannot be filed leaves no empty folder behind

        def open_it(draft: Path) -> None:
            os.close(create_file(draft / CHAIN))
            self._at(draft).file(opening)

        return self._at(self._make_job(opening.id, open_it))

    def add_job(self, contents: JobContents) -> None:
        """Create the folder of a job of another record and put its results and chain there as they are."""

        def fill(draft: Path) -> None:
            for file in contents.files:
                write_file(draft / file.path.name, contents.data(file))
            if contents.chain is not None:
                write_file(draft / CHAIN, contents.fetch(contents.path / CHAIN))
            for number, words in note_contents(contents):
                write_file(note_file(draft, number), words)

        self._make_job(contents.path.name, fill)

    def _make_job(self, id: str, fill: Callable[[Path], None]) -> Path:
        """Make the folder of a job, filled beside its place, so that none is seen without its results."""
        path = self._checked_root() / check_job_id(id)
        taken = BadInput("already exists", location=str(path), hint="Choose another ID.")
        try:
            if os.path.lexists(path):
                raise taken
            _make_filled(path, fill)
        except OSError as error:
            if error.errno in _TAKEN:
                raise taken from error
            raise Unavailable(f"cannot be created: {error.strerror}", location=str(path), hint=_CHOOSE_ROOT) from error
        return path

    def job(self, id: str) -> JobFolder:
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
        return self._at(path)

    def jobs(self) -> tuple[JobFolder, ...]:
        """List every job in the folder of jobs, oldest opening first, then those that cannot be opened.

        A folder without an opening and without a chain is not a job.
        """
        opened: list[tuple[datetime, str, JobFolder]] = []
        for item in self._folders():
            folder = self._at(self.root / item.name)
            try:
                filed_at = folder.first_filed()
            except DriveCareError:  # one bad job does not hide the others: whoever reads it is told why
                filed_at = _NEVER
            if filed_at is not None:
                opened.append((filed_at, folder.id, folder))
        return tuple(folder for _, _, folder in sorted(opened, key=lambda row: row[:2]))

    def ids(self) -> tuple[str, ...]:
        """List the ID of every job as the index has it."""
        current = self._reconcile()
        current.save()
        return tuple(id for _, id in sorted(current.jobs(JobFilter())))

    def list_jobs(self, job_filter: JobFilter, *, page: int | None = None) -> JobList:
        """List the jobs as the index has them; those that are listed are compared with their folders."""
        current = self._reconcile()
        while True:
            jobs = sorted(current.jobs(job_filter))
            begin, end = page_span(len(jobs), page) if page is not None else (0, len(jobs))
            ids = [id for _, id in jobs[begin:end]]
            if current.confirm(ids):
                break
        current.save()
        return make_page(current.lines(ids), len(jobs), page)

    def jobs_with_names(self, names: frozenset[str], *, but: str | None = None) -> tuple[JobFolder, ...]:
        """List the jobs that read a drive of one of these names by the index, and those that cannot be read."""
        if not names:
            return ()
        current = self._reconcile(but=but)
        current.save()
        jobs = sorted(current.with_drive(names))
        return tuple(self._at(self.root / id) for _, id in jobs if id != but)

    def _at(self, path: Path) -> JobFolder:
        return JobFolder(path=path, notify=self.notify, filed_by=self.filed_by)

    def _reconcile(self, *, but: str | None = None) -> CurrentIndex:
        return CurrentIndex(self._checked_root(), self._folders(), but=but, now=self.now(), notify=self.notify)

    def _folders(self) -> list[os.DirEntry[str]]:
        """List the folders in the folder of jobs, links to folders included: whoever reads one refuses it."""
        root = self._checked_root()
        try:
            items = list(os.scandir(root)) if root.is_dir() else []
            return [item for item in items if not item.name.startswith(".") and item.is_dir()]
        except OSError as error:
            raise Unavailable(f"cannot be listed: {error.strerror}", location=str(root), hint=_CHOOSE_ROOT) from error

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


def _make_filled(path: Path, fill: Callable[[Path], None]) -> None:
    """Make a folder beside its place, fill it and move it there."""
    draft = path.with_name(f".{os.urandom(8).hex()}.part")  # what a power cut leaves of it is no job
    create_folder(draft, parents=True)
    try:
        fill(draft)
        draft.rename(path)
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    sync_folder(path.parent)
