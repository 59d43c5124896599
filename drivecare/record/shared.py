"""The store of several benches: one record on a PostgreSQL server, where results are added and never changed.

What a list shows of a job is worked out by the bench that lists it and kept beside the job for the next one, with the
number of results it was worked out from: after another result it does not count any more.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import msgspec

from drivecare.documents import encode
from drivecare.errors import BadInput, DriveCareError, RecordAway, Unavailable
from drivecare.job.contents import JobContents
from drivecare.job.model import Opening
from drivecare.job.overview import JobLine, JobList
from drivecare.job.result_files import check_job_id, document_kind
from drivecare.job.timeline import JobFilter, summarise_job
from drivecare.record.last_read import LastRead
from drivecare.record.line_origin import line_origin
from drivecare.record.model import PushedResult, RecordPush, UnpushedResult
from drivecare.record.outbox import Outbox
from drivecare.record.port import FiledJob, Record, cut_page, make_page, page_span
from drivecare.record.server import Server
from drivecare.record.shared_job import SharedJob, no_such_job
from drivecare.storage import create_folder

_LINE = msgspec.json.Decoder(JobLine)
_MANY = 500  # jobs to read anew take longer than a person expects, so they are told


@dataclass(frozen=True, kw_only=True)
class SharedRecord(Record):
    """All jobs of the record on `server`. `folder` is where this bench keeps images, journals and sheets of its own."""

    server: Server
    folder: Path

    def create(self, opening: Opening) -> SharedJob:
        """Make a new job and file its opening, both or neither."""
        check_job_id(opening.id)
        job = self._job(opening.id)
        try:
            self._open(job, opening)
        except RecordAway as away:
            hint = "A new job needs it. Meanwhile open it in a folder: --jobs FOLDER."
            raise RecordAway(away.problem, location=away.location, hint=hint) from away
        self._make_folder(job)
        return self._followed(job)

    def _open(self, job: SharedJob, opening: Opening) -> None:
        data = encode(opening, filed=self.filed_by)
        with self.server.transaction():
            query = "INSERT INTO drivecare.job VALUES (%s, %s, true) ON CONFLICT DO NOTHING RETURNING id"
            if not self.server.rows(query, opening.id, self.now()):
                location = f"{self.server.address}: job {opening.id}"
                raise BadInput("already exists", location=location, hint="Choose another ID.")
            FiledJob.file_bytes(job, data, document_kind(Opening))

    def add_job(self, contents: JobContents) -> None:
        """Add a job of another record in one transaction."""
        id = check_job_id(contents.path.name)
        with self.server.transaction():
            values = (id, contents.files[0].filed_at, contents.chain is not None)
            self.server.run("INSERT INTO drivecare.job VALUES (%s, %s, %s)", *values)
            self._job(id).fill(contents)

    def job(self, id: str) -> SharedJob:
        """Find an existing job. While the server is away any may exist: what is filed in it waits on this bench."""
        try:
            if not self.server.rows("SELECT FROM drivecare.job WHERE id = %s", check_job_id(id)):
                raise no_such_job(id, self.server)
        except RecordAway as away:
            self.notify(f"Working without the record. {away.message()}")
        job = self._job(id)
        self._make_folder(job)
        return self._followed(job)

    def jobs(self) -> tuple[SharedJob, ...]:
        """List every job."""
        return tuple(self._job(id) for id in self.ids())

    def ids(self) -> tuple[str, ...]:
        """List the ID of every job, oldest opening first."""
        return tuple(id for (id,) in self.server.rows("SELECT id FROM drivecare.job ORDER BY filed_at, id"))

    def list_jobs(self, job_filter: JobFilter, *, page: int | None = None) -> JobList:
        """List the jobs; without a filter, only those of the page are looked at."""
        if page is None or job_filter != JobFilter():
            return cut_page([line for line in self._lines() if job_filter.matches(line)], page)
        ((total,),) = self.server.rows("SELECT count(*) FROM drivecare.job")
        begin, end = page_span(total, page)
        return make_page(self._lines(skip=total - end, limit=end - begin), total, page)

    def jobs_with_names(self, names: frozenset[str], *, but: str | None = None) -> tuple[SharedJob, ...]:
        """List the jobs in which a drive of one of these names was read."""
        query = """
            SELECT DISTINCT filed_at, id FROM drivecare.drive JOIN drivecare.job ON id = job
            WHERE name = ANY(%s) AND id IS DISTINCT FROM %s ORDER BY filed_at, id
        """
        return tuple(self._job(id) for _, id in self.server.rows(query, sorted(names), but)) if names else ()

    def _job(self, id: str) -> SharedJob:
        folder = self.folder / "jobs" / id
        return SharedJob(
            path=folder, server=self.server, outbox=self.outbox, notify=self.notify, filed_by=self.filed_by
        )

    def _followed(self, job: SharedJob) -> SharedJob:
        """A job that is worked on here: how it was last read is kept on this bench."""
        return replace(job, last_read=LastRead(self.folder / "last-read" / job.id))

    @property
    def outbox(self) -> Outbox:
        """The results that wait on this bench."""
        return Outbox(self.folder / "outbox")

    def push(self) -> RecordPush:
        """File what waits on this bench, in order, each once. A refused result goes on waiting, and so does its job."""
        if not self.outbox.waiting():
            return RecordPush()
        filed: list[PushedResult] = []
        obstacles: dict[str, DriveCareError] = {}
        with self.outbox.locked():
            for result in self.outbox.waiting():
                if result.job in obstacles:
                    continue
                try:
                    path = self._job(result.job).push(result)
                except DriveCareError as error:
                    obstacles[result.job] = error
                else:
                    self.outbox.remove(result)
                    filed.append(PushedResult(job=result.job, file=path.name))
            waiting = tuple(
                UnpushedResult(
                    job=result.job,
                    kind=result.kind,
                    path=str(result.path),
                    reason=obstacles[result.job].message(),
                    away=isinstance(obstacles[result.job], RecordAway),
                )
                for result in self.outbox.waiting()
            )
        return RecordPush(filed=tuple(filed), waiting=waiting)

    def _make_folder(self, job: SharedJob) -> None:
        """Make the job's folder on this bench, for images, journals and sheets."""
        try:
            with suppress(FileExistsError):
                create_folder(job.path, parents=True)
        except OSError as error:
            problem = f"cannot be made: {error.strerror}"
            raise Unavailable(problem, location=str(job.path), hint="Check its permissions.") from error

    def _lines(self, *, skip: int = 0, limit: int | None = None) -> list[JobLine]:
        """Each job in one line, oldest opening first; `skip` and `limit` count from the newest."""
        query = """
            WITH listed AS (SELECT id, filed_at FROM drivecare.job ORDER BY filed_at DESC, id DESC OFFSET %s LIMIT %s)
            SELECT id, newest.number, fresh.line FROM listed
            CROSS JOIN LATERAL (SELECT max(number) AS number FROM drivecare.result WHERE job = id) newest
            LEFT JOIN LATERAL (
                SELECT line FROM drivecare.summary
                WHERE job = id AND results = newest.number AND worked_out_by = %s
                    AND judged_at <= %s AND (holds_until IS NULL OR holds_until > %s)
                LIMIT 1
            ) fresh ON true
            ORDER BY filed_at, id
        """
        now = self.now()
        rows = self.server.rows(query, skip, limit, line_origin(), now, now)
        stale = [(id, results) for id, results, line in rows if line is None]
        if len(stale) > _MANY:
            self.notify(f"{len(stale):,} jobs have changed since they were last listed; reading them")
        anew = {id: self._summarise(id, results, now) for id, results in stale}
        return [anew[id] if line is None else _LINE.decode(line) for id, _, line in rows]

    def _summarise(self, id: str, results: int, now: datetime) -> JobLine:
        summary = summarise_job(id, self._job(id).read, now=now)
        if summary.line.error is None:
            row = (id, results, line_origin(), now, summary.holds_until, msgspec.json.encode(summary.line))
            query = "INSERT INTO drivecare.summary VALUES (%s, %s, %s, %s, %s, %s) ON CONFLICT DO NOTHING"
            self.server.run(query, *row)
        return summary.line
