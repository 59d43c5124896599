"""Take back a mistake by a new entry: a result that is wrong, one of another job, a job opened with a wrong word.

Moving files in the other job first and withdraws afterwards: a kill in between leaves the results in both jobs, in none
of them lost, and the same command typed again goes on from there.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import msgspec

from drivecare.errors import BadInput, RecordAway
from drivecare.fit.host_catalogue import find_host
from drivecare.fit.host_profile import HostDocument
from drivecare.fit.symptoms import advise
from drivecare.job.contents import JobContents
from drivecare.job.customer_notes import note_contents
from drivecare.job.expected_drive import built_for
from drivecare.job.model import Change, Move, Withdrawal
from drivecare.job.result_files import ResultFile, is_result
from drivecare.job.taking_back import select_to_move, select_to_withdraw
from drivecare.record.port import FiledJob
from drivecare.work.names_along import take_names_along


@dataclass(frozen=True, kw_only=True, slots=True)
class Author:
    """Who takes something back, when and why."""

    note: str
    at: str
    by: str


def withdraw(job: FiledJob, number: int, author: Author) -> tuple[Withdrawal, Path]:
    """File that the results of one act no longer count. Raises BadInput if no such result can be withdrawn, Refused
    where the job is closed.
    """
    files = select_to_withdraw(_read_from_record(job), number)
    return _file_withdrawal(job, files, author)


def move(job: FiledJob, number: int, to: FiledJob, author: Author) -> tuple[Withdrawal, tuple[Path, ...]]:
    """File the results of one act in another job, byte for byte, and withdraw them here."""
    if to.id == job.id:
        raise BadInput("is the job that the result is in", location=f"job {to.id}", hint="Name the other job.")
    job.refuse_if_closed()
    contents = _read_from_record(job)
    files = select_to_move(contents, number)
    paths = _file_there(contents, files, to, author)
    take_names_along(job, contents, files, to)
    erased = _erasable(contents, files, to.read())
    withdrawal, path = _file_withdrawal(job, files, author, moved_to=to.id, erased=erased)
    return withdrawal, (*paths, path)


def change_opening(
    job: FiledJob,
    *,
    label: str | None,
    complaint: str | None,
    reference: str | None,
    tags: tuple[str, ...] = (),
    hosts: Iterable[HostDocument],
    note: str | None,
    at: str,
    by: str,
) -> tuple[Change, Path]:
    """File what the job should have been opened with. Raises BadInput for a label that names no unit.

    `tags` replace those that the job has; one that is empty takes them all away.
    """
    changed_tags = tuple(dict.fromkeys(filter(None, tags))) if tags else None
    change = Change(complaint=complaint, reference=reference, tags=changed_tags, note=note, at=at, by=by)
    if label is not None:
        host = find_host(label, hosts)
        change = msgspec.structs.replace(
            change,
            host=host.id,
            host_name=host.name,
            label=label,
            advice=tuple(advise(symptom, host) for symptom in job.read().opening().symptoms),
            built_for=built_for(host),
        )
    return change, job.file(change)


def _file_there(contents: JobContents, files: tuple[ResultFile, ...], to: FiledJob, author: Author) -> tuple[Path, ...]:
    """File the results in the other job, and where they came from. What an interrupted move left there is taken up."""
    there = _read_from_record(to)
    notes = dict(note_contents(contents))
    copies, filed = [], []
    for file in files:
        copy = _find_copy(contents.data(file), file.kind, there)
        if copy is None:
            copy = to.file_bytes(contents.data(file), file.kind, words=notes.get(file.number, b""))
            filed.append(copy)
        if not is_result(copy):  # it waits for the record's server, which will name it
            raise _refusal(to, "its server went away in the middle")
        copies.append(copy.name)
    if not any(entry.document.files == tuple(copies) for entry in there.documents(Move)):
        former = next(
            (entry.document.jobs for entry in contents.documents(Move) if files[0].path.name in entry.document.files),
            (),
        )
        jobs = (*former, contents.path.name)
        filed.append(to.file(Move(files=tuple(copies), jobs=jobs, note=author.note, at=author.at, by=author.by)))
    return tuple(filed)


def _read_from_record(job: FiledJob) -> JobContents:
    """Read a job to take something back: an entry names results, and those that wait have no lasting name yet."""
    contents = job.read()
    if contents.away is not None:
        raise _refusal(job, contents.away)
    return contents


def _refusal(job: FiledJob, away: str) -> RecordAway:
    hint = "Do the same again once it is there and drivecare records push has filed what waits."
    return RecordAway(f"cannot be taken back from without the record: {away}", location=f"job {job.id}", hint=hint)


def _find_copy(data: bytes, kind: str, contents: JobContents) -> Path | None:
    """Find a result that counts and holds the same bytes."""
    withdrawn = contents.withdrawals()
    files = (file for file in contents.files if file.kind == kind and file.path.name not in withdrawn)
    return next((file.path for file in files if contents.data(file) == data), None)


def _erasable(contents: JobContents, files: tuple[ResultFile, ...], there: JobContents) -> tuple[int, ...]:
    """Which of these are notes about the customer whose words the other job has, too."""
    moved = {file.number for file in files}
    words_there = {words for _, words in note_contents(there)}
    return tuple(number for number, words in note_contents(contents) if number in moved and words in words_there)


def _file_withdrawal(
    job: FiledJob,
    files: tuple[ResultFile, ...],
    author: Author,
    *,
    moved_to: str | None = None,
    erased: tuple[int, ...] = (),
) -> tuple[Withdrawal, Path]:
    names = tuple(file.path.name for file in files)
    entry = Withdrawal(files=names, moved_to=moved_to, erased=erased, note=author.note, at=author.at, by=author.by)
    return entry, job.file(entry)
