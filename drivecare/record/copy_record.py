"""Copy all jobs of one record into another, byte for byte: results and chains. What lies beside them stays."""

from __future__ import annotations

from drivecare.errors import BadInput, DriveCareError, Refused
from drivecare.job.chain import CHAIN
from drivecare.job.contents import JobContents
from drivecare.record.model import JobLeftOut, RecordCopy
from drivecare.record.port import FiledJob, Record


def copy_record(source: Record, target: Record) -> RecordCopy:
    """Copy every job that the target does not have. One that is not as it was filed is left out, with the reason.

    Each job is there whole or not at all; to go on after an interruption, do the same again.
    """
    copied: list[str] = []
    present: list[str] = []
    left_out: list[JobLeftOut] = []
    there = set(target.ids())
    for job in source.jobs():
        try:
            contents = _read_whole(job)
            if job.id not in there:
                target.add_job(contents)
                copied.append(job.id)
            elif _content_of(contents) == _content_of(target.job(job.id).read()):
                present.append(job.id)
            else:
                problem = "is there with other results"
                raise BadInput(problem, location=f"job {job.id}", hint="Neither was changed: compare them by hand.")
        except DriveCareError as error:
            left_out.append(JobLeftOut(job=job.id, reason=error.message()))
    return RecordCopy(copied=tuple(copied), present=tuple(present), left_out=tuple(left_out))


def _read_whole(job: FiledJob) -> JobContents:
    """Read a job as it was filed. Raises Refused if it is not any more."""
    contents = job.read()
    contents.opening()
    problems = (*contents.audit().sentences, *filter(None, (contents.away,)))
    if problems:
        hint = f"See drivecare job show {job.id}; once it is mended, copy again."
        raise Refused(problems[0], guard="job-altered", location=f"job {job.id}", hint=hint)
    return contents


def _content_of(contents: JobContents) -> dict[str, bytes]:
    chain = {CHAIN: contents.fetch(contents.path / CHAIN)} if contents.chain is not None else {}
    return {file.path.name: contents.data(file) for file in contents.files} | chain
