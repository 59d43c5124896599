"""The index held against the jobs' folders: what differs is read anew, and what cannot be read is asked every time."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from drivecare.errors import DriveCareError
from drivecare.job.contents import JobContents
from drivecare.job.overview import JobLine
from drivecare.job.timeline import JobFilter, summarise_job
from drivecare.record.index import IndexEntry, JobIndex, Stamp, times_of
from drivecare.record.job_folder import JobFolder

_MANY = 500  # reading so many jobs anew takes longer than a person expects, so it is announced
_NEVER = datetime.max.replace(tzinfo=UTC)


class CurrentIndex:
    """The index as of `now`, each of the `folders` compared with its row by the times of the folder.

    The job `but` is left as it is: nobody asks for it.
    """

    def __init__(
        self,
        root: Path,
        folders: Sequence[os.DirEntry[str]],
        *,
        but: str | None = None,
        now: datetime,
        notify: Callable[[str], None],
    ) -> None:
        self._root, self._now, self._notify = root, now, notify
        self._index = JobIndex(root)
        self._apart: dict[str, tuple[datetime, JobLine]] = {}  # jobs that cannot be read
        entries = self._index.entries()
        self._index.remove(entries.keys() - {item.name for item in folders})
        compared = [item for item in folders if item.name != but]
        changed = [item.name for item in compared if not self._holds(item, entries.get(item.name))]
        if len(changed) > _MANY:
            notify(f"{len(changed):,} jobs have changed or are not in the index yet; reading them")
        for id in changed:
            self._read(id)

    def jobs(self, job_filter: JobFilter) -> list[tuple[datetime, str]]:
        """Every job that the filter matches: when its first result was filed, and its ID."""
        filed_times = self._index.filed_times()
        if job_filter != JobFilter():
            matching = {line.id for line in self._index.lines() if job_filter.matches(line)}
            filed_times = [(filed_at, id) for filed_at, id in filed_times if id in matching]
        return [*filed_times, *((filed_at, id) for id, (filed_at, _) in self._apart.items())]

    def with_drive(self, names: Iterable[str]) -> list[tuple[datetime, str]]:
        """Every job that read a drive with one of these names, and those that cannot be read, likewise."""
        return [*self._index.with_drive(names), *((filed_at, id) for id, (filed_at, _) in self._apart.items())]

    def lines(self, ids: Collection[str]) -> list[JobLine]:
        """These jobs, each in one line."""
        return [self._apart[id][1] if id in self._apart else self._index.line(id) for id in ids]

    def confirm(self, ids: Iterable[str]) -> bool:
        """Compare every file of these jobs with the index and read anew those that differ. False if any did."""
        entries = self._index.entries()
        changed = [id for id in ids if id not in self._apart and not self._is_untouched(id, entries[id].stamp)]
        for id in changed:
            self._read(id)
        return not changed

    def save(self) -> None:
        """Keep the index for the next time. Where it cannot be written, say so: everything works without, slower."""
        try:
            self._index.save()
        except DriveCareError as error:
            self._notify(f"no index can be kept there, so lists and searches take longer: {error.message()}")

    def _holds(self, item: os.DirEntry[str], entry: IndexEntry | None) -> bool:
        if entry is None or item.is_symlink() or not entry.holds_at(self._now):
            return False
        try:
            times = times_of(item.stat(follow_symlinks=False))
        except OSError:  # told when it is read
            return False
        return times == entry.stamp.times and (entry.stamp.settled or self._is_untouched(item.name, entry.stamp))

    def _is_untouched(self, id: str, stamp: Stamp) -> bool:
        try:
            present = JobFolder(path=self._root / id).stamp(self._now)
        except DriveCareError:
            return False
        if present.files != stamp.files:
            return False
        if present.settled and present != stamp:
            self._index.settle(id, present)
        return True

    def _read(self, id: str) -> None:
        self._apart.pop(id, None)
        folder = JobFolder(path=self._root / id)
        stamps: list[tuple[datetime, Stamp]] = []

        def read() -> JobContents:
            contents, stamp = folder.read_with_stamp(self._now)
            if contents.files:
                stamps.append((contents.files[0].filed_at, stamp))
            return contents

        summary = summarise_job(id, read, now=self._now)
        if summary.line.error is None:
            filed_at, stamp = stamps[0]
            self._index.put(id, stamp, summary, filed=filed_at, now=self._now)
            return
        if id.isascii():  # the name of any other folder is no ID, and not even text where it is not UTF-8
            self._index.remove((id,))
        try:
            first_filed = folder.first_filed()
        except DriveCareError:
            first_filed = _NEVER
        if first_filed is not None:
            self._apart[id] = (first_filed, summary.line)
